/**
 * The scales and stadiometers of the generated ward, all invented: what each can show, how far it is
 * off, and how it is registered. A scale is off by a share of the largest error that OIML class III
 * allows in service, fixed for that scale, and repeats itself to a quarter of its division.
 */
import type { Amount } from '../../../examples/simulator/amount.ts';
import type { JsonObject } from '../../../src/core/json.ts';
import { METHODS, type Method } from '../../../src/core/methods.ts';
import { OURS, SYSTEM, type Measured } from '../../../src/core/terminology.ts';
import { UNITS, type UnitCode } from '../../../src/core/quantity.ts';
import { measured } from '../../measurements.ts';
import { MODEL } from './parameters.ts';
import { seededRandom, type Random } from './random.ts';

interface InstrumentRow {
  readonly method: Method;
  readonly unit: UnitCode;
  /** Written digits of the smallest step. */
  readonly division: string;
  readonly capacity?: string;
}

export const INSTRUMENTS = {
  'standing-1': { method: 'standing-scale', unit: 'kg', division: '0.1', capacity: '300' },
  'standing-2': { method: 'standing-scale', unit: 'kg', division: '0.1', capacity: '300' },
  'standing-lb-1': { method: 'standing-scale', unit: '[lb_av]', division: '0.25', capacity: '650' },
  'standing-lb-2': { method: 'standing-scale', unit: '[lb_av]', division: '0.25', capacity: '650' },
  platform: { method: 'wheelchair-platform', unit: 'kg', division: '0.1', capacity: '500' },
  'bed-1': { method: 'bed-scale', unit: 'kg', division: '0.1', capacity: '250' },
  'bed-2': { method: 'bed-scale', unit: 'kg', division: '0.1', capacity: '250' },
  'infant-5g': { method: 'infant-scale', unit: 'kg', division: '0.005', capacity: '20' },
  'infant-10g': { method: 'infant-scale', unit: 'kg', division: '0.01', capacity: '20' },
  'infant-in-g': { method: 'infant-scale', unit: 'g', division: '5', capacity: '20000' },
  stadiometer: { method: 'standing-height', unit: 'cm', division: '0.1' },
  'stadiometer-in': { method: 'standing-height', unit: '[in_i]', division: '0.125' },
  'length-board': { method: 'recumbent-length', unit: 'cm', division: '0.1' },
} as const satisfies Record<string, InstrumentRow>;

export type InstrumentName = keyof typeof INSTRUMENTS;

export interface Instrument {
  readonly name: InstrumentName;
  readonly of: Measured;
  readonly unit: UnitCode;
  /** What it shows for a load in kilograms or a height in centimetres. */
  show(value: number, random: Random): Amount;
}

export function instrument(seed: number, name: InstrumentName): Instrument {
  const { unit, method }: InstrumentRow = INSTRUMENTS[name];
  const { of } = METHODS[method];
  const share = seededRandom(seed, 'instrument', name).between(-1, 1);
  const step = stepOf(name);
  const deviation = (value: number, random: Random): number =>
    of === 'weight'
      ? share * largestErrorInService(value, step) + random.normal(0, MODEL.scaleRepeatShare * step)
      : share * MODEL.heightBiasCm;
  return { name, of, unit, show: (value, random) => shownAs(value + deviation(value, random), name) };
}

/** Centimetres by which a height is read off, beside the error of the stadiometer. */
export function heightDeviation(random: Random): number {
  return random.normal(0, MODEL.heightRepeatCm) + random.normal(0, MODEL.heightVisitCm);
}

/** The division in kilograms or centimetres. */
function stepOf(name: InstrumentName): number {
  const { unit, division }: InstrumentRow = INSTRUMENTS[name];
  return Number(division) * inBase(unit);
}

/** Kilograms or centimetres in one of the unit; binary, for the model only. */
export function inBase(unit: UnitCode): number {
  const { coefficient, scale } = UNITS[unit].factor;
  return Number(coefficient) / 10 ** scale;
}

/** Twice the error at initial verification, class III, e equal to d (OIML R 76-1; UK SI 1995/1907, Schedule 2). */
export function largestErrorInService(load: number, e: number): number {
  const steps = load / e;
  return 2 * e * (steps <= 500 ? 0.5 : steps <= 2000 ? 1 : 1.5);
}

/** A value in kilograms or centimetres on the display of an instrument, digits and all. */
export function shownAs(value: number, name: InstrumentName): Amount {
  const { unit, division }: InstrumentRow = INSTRUMENTS[name];
  const decimals = division.split('.')[1]?.length ?? 0;
  const count = Math.round(value / stepOf(name));
  const digits = (count * Number(division)).toFixed(decimals);
  // an eighth of an inch is written as short as it goes, with one decimal at least
  return { digits: unit === '[in_i]' ? digits.replace(/(\.\d)(\d*?)0+$/, '$1$2') : digits, unit };
}

export function deviceOf(name: InstrumentName): JsonObject & { readonly id: string } {
  const { method, unit, division, capacity }: InstrumentRow = INSTRUMENTS[name];
  const { deviceKind, deviceDisplay } = METHODS[method];
  return {
    resourceType: 'Device',
    id: name,
    extension: [
      { url: OURS.divisionExtension, valueQuantity: measured(division, unit) },
      ...(capacity === undefined ? [] : [{ url: OURS.capacityExtension, valueQuantity: measured(capacity, unit) }]),
    ],
    status: 'active',
    deviceName: [{ name: `${name} of Harbourlight Ward (invented)`, type: 'user-friendly-name' }],
    type: { coding: [{ system: OURS.deviceKindSystem, code: deviceKind, display: deviceDisplay }] },
  };
}

/** When a scale was last checked: the zero as `offset`, with test weights as `gain` (R4, DeviceMetric.calibration.type). */
export interface Checked {
  readonly zeroMs: number;
  readonly gainMs: number;
}

export function metricOf(name: InstrumentName, { zeroMs, gainMs }: Checked): JsonObject & { readonly id: string } {
  const instant = (ms: number): string => new Date(ms).toISOString();
  const isScale = METHODS[INSTRUMENTS[name].method].of === 'weight';
  return {
    resourceType: 'DeviceMetric',
    id: `${name}-metric`,
    type: { coding: [{ system: SYSTEM.mdc, code: isScale ? '188736' : '188740' }] },
    source: { reference: `Device/${name}` },
    operationalStatus: 'on',
    category: 'measurement',
    calibration: [
      ...(isScale ? [{ type: 'offset', state: 'calibrated', time: instant(zeroMs) }] : []),
      { type: 'gain', state: 'calibrated', time: instant(gainMs) },
    ],
  };
}
