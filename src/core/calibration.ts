/**
 * Zero checks and calibrations of a scale, from the `calibration` of its DeviceMetrics (HL7 FHIR R4
 * 4.0.1, DeviceMetric): offset is a zero check, gain a calibration, two-point is both, and a type
 * that is unspecified or absent counts as a calibration.
 */
import type * as fhir4 from 'fhir/r4.js';
import { parseDateTime, type Effective } from './fhir-time.ts';
import type { Exact } from './json.ts';
import { isUnitCode, UNITS } from './quantity.ts';
import { SYSTEM, type Measured } from './terminology.ts';

export type CheckKind = 'zero' | 'calibration';

/** One entry of a meter's calibration. */
export interface ScaleCheck {
  readonly kinds: readonly CheckKind[];
  /** It failed or has to be done: `calibration-required` or `not-calibrated`, as the meter says it. */
  readonly failed?: 'calibration-required' | 'not-calibrated';
  /** Absent when the entry says how things stand now. */
  readonly at?: Effective;
  /** Key of the meter. */
  readonly meter: string;
  /** What the meter measures, where its unit says so. */
  readonly of?: Measured;
}

const KINDS: Readonly<Record<'offset' | 'gain' | 'two-point' | 'unspecified', readonly CheckKind[]>> = {
  offset: ['zero'],
  gain: ['calibration'],
  'two-point': ['zero', 'calibration'],
  unspecified: ['calibration'],
};

/** The entries of one meter; none of a meter that was entered in error. */
export function checksOf(meter: string, { operationalStatus, calibration, unit }: Exact<fhir4.DeviceMetric>): ScaleCheck[] {
  if (operationalStatus === 'entered-in-error') return [];
  const of = measuredIn(unit);
  return (calibration ?? []).map(({ type = 'unspecified', state, time }): ScaleCheck => {
    const at = time === undefined ? undefined : parseDateTime(time);
    return {
      meter,
      kinds: KINDS[type],
      ...((state === 'calibration-required' || state === 'not-calibrated') && { failed: state }),
      ...(at && { at }),
      ...(of && { of }),
    };
  });
}

function measuredIn(unit: Exact<fhir4.CodeableConcept> | undefined): Measured | undefined {
  const code = unit?.coding?.find(({ system }) => system === SYSTEM.ucum)?.code;
  return code !== undefined && isUnitCode(code) ? UNITS[code].of : undefined;
}

/** How a scale stood at a reading, by what its meters say. */
export interface CheckedState {
  /** The check that failed, or that has to be done. */
  readonly failed?: ScaleCheck;
  /** The last check, of the meter whose last check is the oldest; absent when it has no time. */
  readonly last?: ScaleCheck & { readonly at: Effective };
}

/** From a check to the end of a reading. */
export function ageMs({ at }: { readonly at: Effective }, { endMs }: Effective): number {
  return endMs - at.startMs;
}

/**
 * What the checks of one kind say of a reading: of each meter the last one at or before it. A
 * reading without a time of day may have been taken at any time of its day, so a failed check of that
 * day counts however late it was, and the age is counted to the end of the day.
 */
export function stateAt(
  checks: readonly ScaleCheck[],
  kind: CheckKind,
  { of, effective }: { readonly of: Measured; readonly effective: Effective },
): CheckedState {
  const concerned = checks.filter((check) => check.kinds.includes(kind) && (check.of === undefined || check.of === of));
  const meters = [...new Set(concerned.map(({ meter }) => meter))].sort();
  const states = meters.map((meter) =>
    stateOfMeter(
      concerned.filter((check) => check.meter === meter),
      effective,
    ),
  );
  const failed = states.find((state) => state.failed)?.failed;
  const [oldest] = states.flatMap(({ last }) => last ?? []).sort((a, b) => a.at.startMs - b.at.startMs);
  return { ...(failed && { failed }), ...(oldest && { last: oldest }) };
}

function stateOfMeter(checks: readonly ScaleCheck[], { startMs, endMs }: Effective): CheckedState {
  const known = checks.filter((check) => check.at === undefined || timeOf(check) <= endMs).sort((a, b) => timeOf(a) - timeOf(b));
  const last = known.at(-1);
  const certain = known.findLast((check) => timeOf(check) <= startMs);
  // what may have been the last one: that before the reading, and those within its span
  const failed = known.find((check) => check.failed && timeOf(check) >= (certain ? timeOf(certain) : -Infinity));
  if (failed) return { failed };
  return last?.at ? { last: { ...last, at: last.at } } : {};
}

/** An entry without a time says how the meter stands now, so nothing is later. */
function timeOf({ at }: ScaleCheck): number {
  return at?.startMs ?? Infinity;
}
