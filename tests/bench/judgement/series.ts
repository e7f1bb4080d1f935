/**
 * What the model gives for one person: whom and what the service is told of, then every measurement
 * in order of time, with what was true beside what was shown.
 */
import { shown as asShown, type Amount } from '../../../examples/simulator/amount.ts';
import type { JsonObject, JsonValue } from '../../../src/core/json.ts';
import type { ExactObservation } from '../../../src/core/observation.ts';
import { CLOTHING_ANSWERS, PARENT_CODE, QUALIFIER, SYSTEM, type ClothingClass, type Measured } from '../../../src/core/terminology.ts';
import { measured, observation } from '../../measurements.ts';
import { deviceOf, metricOf, type InstrumentName } from './instruments.ts';
import type { Sex } from './population.ts';

export const GROUPS = [
  'healthy-adults',
  'healthy-extremes',
  'heart-failure',
  'dialysis',
  'growing-children',
  'infants',
  'wheelchair',
  'in-bed',
] as const;
export type Group = (typeof GROUPS)[number];

/** The truth behind a measurement: kilograms or centimetres, never sent. */
export interface Truth {
  /** The body alone, at that moment. */
  readonly body: number;
  /** What stood on the scale with it and was not subtracted: clothes, a diaper. */
  readonly worn: number;
}

export interface Measurement {
  /** Unique in the run; the value of the reading's identifier. */
  readonly key: string;
  readonly person: string;
  readonly of: Measured;
  readonly atMs: number;
  readonly instrument: InstrumentName;
  readonly shown: Amount;
  readonly gross?: Amount;
  readonly tare?: Amount;
  /** Absent when nobody says what the person wore. */
  readonly clothing?: ClothingClass;
  readonly truth: Truth;
}

export interface Series {
  readonly group: Group;
  readonly number: number;
  readonly patient: JsonObject & { readonly id: string };
  /** Devices of the person's own: a wheelchair. */
  readonly ownDevices: readonly (JsonObject & { readonly id: string })[];
  readonly measurements: readonly Measurement[];
}

export const IDENTIFIERS = 'https://harbourlight.example/judgement';
/** A Monday; every series begins on it or soon after. */
export const EPOCH_MS = Date.parse('2025-01-06T00:00:00Z');
export const DAY_MS = 86_400_000;
export const HOUR_MS = 3_600_000;

export function personId(group: Group, number: number): string {
  return `${group}-${number}`;
}

export function toPatient(group: Group, number: number, sex: Sex, bornMs: number): Series['patient'] {
  return {
    resourceType: 'Patient',
    id: personId(group, number),
    name: [{ text: `Invented person ${number} (${group})` }],
    gender: sex,
    birthDate: new Date(bornMs).toISOString().slice(0, 10),
  };
}

/** The Observation that the gateway sends for a measurement. */
export function toObservation(of: Measurement): ExactObservation {
  const parts: JsonObject[] = [
    ...(of.gross ? [amountComponent(QUALIFIER.gross, of.gross)] : []),
    ...(of.tare ? [amountComponent(QUALIFIER.tare, of.tare)] : []),
    ...(of.clothing ? [clothingComponent(of.clothing)] : []),
  ];
  const changes: Record<string, JsonValue> = {
    identifier: [{ system: IDENTIFIERS, value: of.key }],
    subject: { reference: `Patient/${of.person}` },
    effectiveDateTime: new Date(of.atMs).toISOString().replace('.000Z', 'Z'),
    device: { reference: `Device/${of.instrument}` },
    valueQuantity: quantityOf(of.shown),
    ...(parts.length > 0 && { component: parts }),
  };
  return observation(PARENT_CODE[of.of].code, of.shown.digits, of.shown.unit, changes);
}

function quantityOf(amount: Amount): JsonObject {
  return { ...measured(amount.digits, amount.unit), unit: asShown(amount).split(' ')[1] as string };
}

function amountComponent(code: (typeof QUALIFIER)['gross' | 'tare'], amount: Amount): JsonObject {
  return { code: { coding: [{ ...code }] }, valueQuantity: quantityOf(amount) };
}

function clothingComponent(clothing: ClothingClass): JsonObject {
  return {
    code: { coding: [{ ...QUALIFIER.clothing }] },
    valueCodeableConcept: { coding: [{ system: SYSTEM.loinc, ...CLOTHING_ANSWERS[clothing] }] },
  };
}

/** What is told of the registries in one call. */
export interface Put {
  readonly type: 'Patient' | 'Device' | 'DeviceMetric';
  readonly resource: JsonObject & { readonly id: string };
}

export type Event =
  { readonly kind: 'put'; readonly atMs: number; readonly put: Put } | { readonly kind: 'measured'; readonly measurement: Measurement };

/**
 * The events of some people who share a ward: the scales first, then the measurements in order of
 * time. The service is told of a person just before their first one, and each scale's zero is
 * checked in the morning of every day on which it is used.
 */
export function eventsOf(people: readonly Series[]): Event[] {
  const measurements = people.flatMap((series) => series.measurements).sort((a, b) => a.atMs - b.atMs || (a.key < b.key ? -1 : 1));
  const personOf = new Map(people.map((series) => [series.patient.id, series]));
  const used = [...new Set(measurements.map(({ instrument }) => instrument))].sort();
  const isFirst = firstTimes();
  return [
    ...used.map((name): Event => ({
      kind: 'put',
      atMs: measurements[0]?.atMs ?? EPOCH_MS,
      put: { type: 'Device', resource: deviceOf(name) },
    })),
    ...measurements.flatMap((measurement): Event[] => {
      const { person, instrument, atMs } = measurement;
      const told = isFirst(person) ? personPuts(personOf.get(person) as Series) : [];
      const checks = isFirst(`${instrument} ${startOfDay(atMs)}`) ? [morningCheck(measurement)] : [];
      return [...[...told, ...checks].map((put): Event => ({ kind: 'put', atMs, put })), { kind: 'measured', measurement }];
    }),
  ];
}

/** True the first time that a key is asked about. */
function firstTimes(): (key: string) => boolean {
  const known = new Set<string>();
  return (key) => {
    const before = known.size;
    return known.add(key).size > before;
  };
}

function personPuts({ patient, ownDevices }: Series): Put[] {
  return [{ type: 'Patient', resource: patient }, ...ownDevices.map((resource): Put => ({ type: 'Device', resource }))];
}

/** The check of the morning of a measurement, half an hour before it at the latest. */
export function morningCheck({ instrument, atMs }: Pick<Measurement, 'instrument' | 'atMs'>): Put {
  return { type: 'DeviceMetric', resource: metricOf(instrument, checksBefore(atMs)) };
}

export function checksBefore(atMs: number): { readonly zeroMs: number; readonly gainMs: number } {
  const zeroMs = Math.min(startOfDay(atMs) + 5.5 * HOUR_MS, atMs - HOUR_MS / 2);
  return { zeroMs, gainMs: halfYearStart(atMs) };
}

function startOfDay(ms: number): number {
  return Math.floor(ms / DAY_MS) * DAY_MS;
}

/** Scales are calibrated every half year, in the first hours of January and July. */
function halfYearStart(ms: number): number {
  const date = new Date(ms);
  return Date.UTC(date.getUTCFullYear(), date.getUTCMonth() < 6 ? 0 : 6, 1);
}
