/** Readings for tests to vary, digits and all. Everybody and everything in them is invented. */
import type { ExactObservation } from '../src/core/observation.ts';
import { toReading } from '../src/core/observation.ts';
import { DEFAULT_POLICY } from '../src/core/policy.ts';
import { exactNumber, type JsonObject, type JsonValue } from '../src/core/json.ts';
import type { Context, PersonFacts, Reading } from '../src/core/reading.ts';
import { SYSTEM } from '../src/core/terminology.ts';

export const NOW = '2026-03-02T10:00:00Z';
export const CLOCK = { nowMs: () => Date.parse(NOW) };

/** Members to replace, or to remove where `undefined` is given. */
export type Changes = Readonly<Record<string, JsonValue | undefined>>;

export function coded(code: string, display?: string): JsonObject {
  return { coding: [{ system: SYSTEM.loinc, code, ...(display !== undefined && { display }) }] };
}

export function measured(value: string, unit: string): JsonObject {
  return { value: exactNumber(value), unit, system: SYSTEM.ucum, code: unit };
}

/** A conforming Observation of an invented adult on Harbourlight Ward. */
export function observation(code: string, value: string, unit: string, changes: Changes = {}): ExactObservation {
  const members: Record<string, JsonValue | undefined> = {
    resourceType: 'Observation',
    status: 'final',
    category: [{ coding: [{ system: SYSTEM.category, code: 'vital-signs' }] }],
    code: coded(code),
    subject: { reference: 'Patient/ada' },
    effectiveDateTime: '2026-03-02T08:00:00Z',
    valueQuantity: measured(value, unit),
    ...changes,
  };
  return Object.fromEntries(Object.entries(members).filter(([, member]) => member !== undefined)) as unknown as ExactObservation;
}

export function weight(value = '70.0', unit = 'kg', changes: Changes = {}): ExactObservation {
  return observation('29463-7', value, unit, changes);
}

export function height(value = '170.0', unit = 'cm', changes: Changes = {}): ExactObservation {
  return observation('8302-2', value, unit, changes);
}

export function bmi(value: string, changes: Changes = {}): ExactObservation {
  return observation('39156-5', value, 'kg/m2', changes);
}

export function treeOf(of: ExactObservation): JsonObject {
  return of as unknown as JsonObject;
}

/** An adult whose age is known. */
export const ADA: PersonFacts = { key: 'Patient/ada', known: true, birthDate: '1980-05-17', sex: 'female' };

export function context(changes: Partial<Context> = {}): Context {
  return {
    nowMs: CLOCK.nowMs(),
    policy: DEFAULT_POLICY,
    id: 'reading-1',
    version: 1,
    person: ADA,
    history: [],
    standing: [],
    knownBases: [],
    ...changes,
  };
}

/** The default policy with settings replaced. */
export function policyWith(values: Partial<typeof DEFAULT_POLICY.values>): typeof DEFAULT_POLICY {
  return { ...DEFAULT_POLICY, values: { ...DEFAULT_POLICY.values, ...values } };
}

/** What an Observation decodes to, as an earlier reading of the person. Throws when it does not decode. */
export function reading(of: ExactObservation, id: string, changes: Partial<Reading> = {}): Reading {
  const decoded = toReading(of, { id, version: 1, person: 'Patient/ada' });
  if (decoded === undefined) throw new Error(`${id} does not decode`);
  return { ...decoded, ...changes };
}

export function deepFreeze<Value>(value: Value): Value {
  if (value !== null && typeof value === 'object' && !Object.isFrozen(value)) {
    Object.freeze(value);
    Object.values(value).forEach(deepFreeze);
  }
  return value;
}
