/**
 * Two readings that say the same: a second weighing that settles a doubt, and a double press that
 * is no weighing at all.
 */
import { compare, decimal, subtract } from '../decimal.ts';
import type { UsableReading } from '../derive/bmi.ts';
import type { Age } from '../fhir-time.ts';
import type { Policy } from '../policy.ts';
import { inBaseUnit, type UnitCode } from '../quantity.ts';
import { magnitude } from './change.ts';

const STEP: Readonly<Record<UnitCode, 'precision.kg' | 'precision.lb' | 'precision.cm' | 'precision.in'>> = {
  kg: 'precision.kg',
  g: 'precision.kg',
  '[lb_av]': 'precision.lb',
  cm: 'precision.cm',
  '[in_i]': 'precision.in',
};

/**
 * The same value, within a division, from the same scale within a minute: pressed twice. Two of
 * which different things are doubtful are not the same press: what likeness settles is how often
 * the person was weighed, never a doubt that one of them has by itself.
 */
export function isDoublePress(one: UsableReading, other: UsableReading, { values }: Pick<Policy, 'values'>): boolean {
  if (one.of !== other.of || one.device === undefined || one.device !== other.device) return false;
  if (!sameDoubts(one, other)) return false;
  if (!isTimed(one) || !isTimed(other) || apartMs(one, other) > values['repeat.seconds'] * 1000) return false;
  const { unit } = one.quantity;
  const step = { value: decimal(values[STEP[unit]]), unit: unit === 'g' ? 'kg' : unit } as const;
  const division = one.division === undefined ? inBaseUnit(step) : decimal(one.division);
  return compare(differenceOf(one, other), division) <= 0;
}

function sameDoubts({ doubts: one = [] }: UsableReading, { doubts: other = [] }: UsableReading): boolean {
  return one.length === other.length && one.every((id) => other.includes(id));
}

/**
 * Does `other` confirm `one`? Two separate weighings within the window, and their difference
 * within the tolerance. Two presses of one button are one weighing, also where no scale is named.
 */
export function agrees(one: UsableReading, other: UsableReading, age: Age | undefined, { values }: Pick<Policy, 'values'>): boolean {
  if (one.id === other.id || one.of !== other.of || !isTimed(one) || !isTimed(other)) return false;
  const apart = apartMs(one, other);
  if (apart > values['release.windowMinutes'] * 60_000) return false;
  if (!onTwoScales(one, other) && apart <= values['repeat.seconds'] * 1000) return false;
  return compare(differenceOf(one, other), decimal(tolerance(one, other, age, values))) <= 0;
}

/** Two scales are known, and they are two. */
export function onTwoScales(one: UsableReading, other: UsableReading): boolean {
  return one.device !== undefined && other.device !== undefined && one.device !== other.device;
}

/** In kg or cm, as the policy says it. */
export function tolerance(one: UsableReading, other: UsableReading, age: Age | undefined, values: Policy['values']): string {
  if (one.of === 'height') return values['release.heightCm'];
  if (age !== undefined && age.oldestMonths < 24) return values['release.infantWeightKg'];
  return onTwoScales(one, other) ? values['release.weightOtherScaleKg'] : values['release.weightKg'];
}

function differenceOf(one: UsableReading, other: UsableReading) {
  return magnitude(subtract(inBaseUnit(one.quantity), inBaseUnit(other.quantity)));
}

function isTimed({ effective }: UsableReading): boolean {
  return effective.precision === 'time';
}

export function apartMs(one: UsableReading, other: UsableReading): number {
  return Math.abs(one.effective.startMs - other.effective.startMs);
}
