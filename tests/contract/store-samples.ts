/** Invented readings of the invented Harbourlight Ward, as the store is given them. */
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { quantity, type Quantity, type UnitCode } from '../../src/core/quantity.ts';
import type { Reading } from '../../src/core/reading.ts';
import { PARENT_CODE, SYSTEM, VITAL_SIGNS_CATEGORY } from '../../src/core/terminology.ts';
import type { NewOutboxItem, ObservationFacts, ObservationSearch, Store, StoredResource } from '../../src/ports.ts';

export const NOON = Date.UTC(2026, 2, 14, 12);

export function measured(text: string, unit: UnitCode): Quantity {
  const read = quantity(text, unit);
  if (read === undefined) throw new Error(`not a decimal: ${text}`);
  return read;
}

export function observationContent(value: string, unit: UnitCode = 'kg'): JsonObject {
  return {
    resourceType: 'Observation',
    status: 'final',
    code: { coding: [{ system: SYSTEM.loinc, code: '29463-7' }] },
    valueQuantity: { value: exactNumber(value), unit, system: SYSTEM.ucum, code: unit },
  };
}

export function reading(id: string, version: number, changes: Partial<Reading> = {}): Reading {
  const startMs = changes.effective?.startMs ?? NOON;
  return {
    id,
    version,
    of: 'weight',
    basis: 'measured',
    status: 'final',
    held: false,
    quantity: measured('70.0', 'kg'),
    effective: { text: new Date(startMs).toISOString(), startMs, endMs: startMs, precision: 'time' },
    person: 'Patient/wren-alder',
    tieKey: id,
    ...changes,
  };
}

/** Facts as the core would decode them from a weight or height. */
export function factsOf(decoded: Reading, changes: Partial<ObservationFacts> = {}): ObservationFacts {
  return {
    of: decoded.of,
    reading: decoded,
    person: decoded.person,
    status: decoded.status,
    held: decoded.held,
    startMs: decoded.effective.startMs,
    endMs: decoded.effective.endMs,
    codes: [{ system: SYSTEM.loinc, value: PARENT_CODE[decoded.of].code }],
    identifiers: [],
    categories: [{ system: VITAL_SIGNS_CATEGORY.system, value: VITAL_SIGNS_CATEGORY.code }],
    tags: [],
    derivedFrom: [],
    ...(decoded.device !== undefined && { device: decoded.device }),
    ...changes,
  };
}

export function instantReading(id: string, startMs: number, changes: Partial<Reading> = {}): Reading {
  return reading(id, 1, { effective: { text: new Date(startMs).toISOString(), startMs, endMs: startMs, precision: 'time' }, ...changes });
}

/** Stores one version of a weight and returns it as it will be served. */
export function putWeight(store: Store, id: string, changes: Partial<ObservationFacts> = {}, value = '70.0'): Promise<StoredResource> {
  return store.write((tx) => tx.putObservation(id, observationContent(value), factsOf(reading(id, 1), changes)));
}

/** A search for everything, to be narrowed. */
export function search(changes: Partial<ObservationSearch> = {}): ObservationSearch {
  return { includeHeld: false, sort: [], count: 100, ...changes };
}

export async function foundIds(store: Store, changes: Partial<ObservationSearch>): Promise<string[]> {
  const { resources } = await store.read.searchObservations(search(changes));
  return resources.map(({ id }) => id);
}

export function outboxItem(person: string, concerns: readonly string[], queuedAt = '2026-03-14T08:00:00.000Z'): NewOutboxItem {
  return { person, concerns, queuedAt, resources: concerns.map((id) => ({ type: 'Observation', id, version: 1 })) };
}
