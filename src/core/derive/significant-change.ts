/**
 * Which published thresholds of significant change a weight reaches, against earlier ones.
 *
 * Comparison is exact, by multiplying out: never on a rounded percentage. From 100.0 to 95.0 kg
 * is "5 % or more" and is not "more than 5 %".
 */
import { compare, decimal, divideHalfUp, isNegative, multiply, subtract, toText, type Decimal } from '../decimal.ts';
import { DAY_MS } from '../fhir-time.ts';
import { inBaseUnit } from '../quantity.ts';
import { CHANGE_THRESHOLDS, type ChangeThreshold, type OldWeight } from './change-thresholds.ts';

export interface WeightAt {
  readonly kg: Decimal;
  readonly atMs: number;
}

export interface EarlierWeight extends WeightAt {
  readonly id: string;
}

/** What is known of the person at the current weight. */
export interface PersonAtWeighing {
  /** Completed months. When days are not known either, an adult is assumed, as for the limits of plausibility. */
  readonly ageMonths?: number | undefined;
  /** Completed days; needed for the thresholds of newborns. */
  readonly ageDays?: number | undefined;
  readonly birthWeight?: { readonly kg: Decimal; readonly id: string } | undefined;
}

export interface SignificantChange {
  readonly threshold: ChangeThreshold;
  /** The old weight that the current one was compared with. */
  readonly earlierId: string;
  /** Kilograms, exact; negative for a loss. */
  readonly changeKg: Decimal;
  /** Percent of the old weight without a sign, one decimal, rounded half up: for reading only. */
  readonly percentText: string;
}

export interface ChangeOptions {
  readonly thresholds?: readonly ChangeThreshold[];
  /** May the current weight be compared with this one? Asked only of those that could matter. */
  readonly compares?: (earlier: EarlierWeight) => boolean;
}

type OldOne = Omit<EarlierWeight, 'atMs'>;

/** 18 years: the papers are about adults. */
const ADULT_FROM_MONTHS = 216;
const HUNDRED = decimal('100');

/**
 * The thresholds that the current weight reaches, in the order of `thresholds`.
 *
 * @param earlier readings that may be compared: measured, valid, of one kind of scale and clothing
 *   as far as the site asks for it, in any order. Those that are not earlier than the current
 *   weight, and those of no weight, are passed over.
 */
export function significantChanges(
  current: WeightAt,
  earlier: readonly EarlierWeight[],
  about: PersonAtWeighing,
  { thresholds = CHANGE_THRESHOLDS, compares = () => true }: ChangeOptions = {},
): readonly SignificantChange[] {
  if (current.kg.coefficient <= 0n) return [];
  const usable = earlier.filter(({ kg, atMs }) => atMs < current.atMs && kg.coefficient > 0n);
  return thresholds.flatMap((threshold) => {
    const old = isConcerned(threshold, about) ? oldWeightFor(threshold, current, usable, about, compares) : undefined;
    return old !== undefined && isReached(threshold, old.kg, current.kg) ? [reached(threshold, old, current.kg)] : [];
  });
}

function isConcerned({ concerns }: ChangeThreshold, { ageMonths, ageDays }: PersonAtWeighing): boolean {
  if (concerns === 'newborn') return ageDays !== undefined && ageDays >= 0;
  return ageMonths === undefined ? ageDays === undefined : ageMonths >= ADULT_FROM_MONTHS;
}

function oldWeightFor(
  threshold: ChangeThreshold,
  current: WeightAt,
  earlier: readonly EarlierWeight[],
  { ageDays = 0, birthWeight }: PersonAtWeighing,
  compares: (earlier: EarlierWeight) => boolean,
): OldOne | undefined {
  const { oldWeight } = threshold;
  switch (oldWeight.kind) {
    case 'birth':
      return ageDays <= oldWeight.throughAgeDays && birthWeight !== undefined && birthWeight.kg.coefficient > 0n ? birthWeight : undefined;
    case 'closest':
      return closest(oldWeight, current.atMs, earlier, compares);
    case 'any':
      return furthest(threshold, oldWeight, current, earlier, compares);
  }
}

/** Rounded to whole days: weighings at nearly the same hour are whole days apart. */
function daysBetween(fromMs: number, toMs: number): number {
  return Math.round((toMs - fromMs) / DAY_MS);
}

function closest(
  { days, slackDays }: Extract<OldWeight, { kind: 'closest' }>,
  nowMs: number,
  earlier: readonly EarlierWeight[],
  compares: (earlier: EarlierWeight) => boolean,
): OldOne | undefined {
  const wantedMs = nowMs - days * DAY_MS;
  const distance = ({ atMs }: EarlierWeight): number => Math.abs(atMs - wantedMs);
  return earlier
    .filter(({ atMs }) => Math.abs(daysBetween(atMs, nowMs) - days) <= slackDays)
    .sort((a, b) => distance(a) - distance(b) || byRecency(a, b))
    .find(compares);
}

/**
 * The heaviest for a loss, the lightest for a gain: the one that shows the greatest change. Only
 * those that reach the threshold are looked at, since no other could make a difference.
 */
function furthest(
  threshold: ChangeThreshold,
  window: Extract<OldWeight, { kind: 'any' }>,
  current: WeightAt,
  earlier: readonly EarlierWeight[],
  compares: (earlier: EarlierWeight) => boolean,
): OldOne | undefined {
  const sign = threshold.direction === 'loss' ? -1 : 1;
  const reaches = reachTest(threshold, current.kg);
  let best: EarlierWeight | undefined;
  /** The most extreme weight known not to reach the threshold: what is no more extreme need not be tried. */
  let tried: Decimal | undefined;
  for (const one of earlier) {
    if (!isInWindow(daysBetween(one.atMs, current.atMs), window)) continue;
    if (best !== undefined && (sign * compare(one.kg, best.kg) || byRecency(one, best)) >= 0) continue;
    if (tried !== undefined && sign * compare(one.kg, tried) >= 0) continue;
    if (!reaches(one.kg)) tried = one.kg;
    else if (compares(one)) best = one;
  }
  return best;
}

/** A weight of an hour ago rounds to no days and still is within a window that begins now. */
function isInWindow(days: number, { overDays, throughDays }: Extract<OldWeight, { kind: 'any' }>): boolean {
  return (overDays === 0 || days > overDays) && days <= throughDays;
}

/** The latest first; of one instant the same one each time. */
function byRecency(a: EarlierWeight, b: EarlierWeight): number {
  return b.atMs - a.atMs || (a.id < b.id ? -1 : a.id > b.id ? 1 : 0);
}

function isReached(threshold: ChangeThreshold, old: Decimal, current: Decimal): boolean {
  return reachTest(threshold, current)(old);
}

/** The same for many old weights, with the threshold's own figures read once. */
function reachTest({ direction, amount, edge }: ChangeThreshold, current: Decimal): (old: Decimal) => boolean {
  const least = edge === 'at-least' ? 0 : 1;
  const limit = decimal('percent' in amount ? amount.percent : amount.mass);
  const mass = 'percent' in amount ? undefined : inBaseUnit({ value: limit, unit: amount.unit });
  return (old) => {
    const change = direction === 'loss' ? subtract(old, current) : subtract(current, old);
    if (isNegative(change)) return false;
    return (mass ? compare(change, mass) : compare(multiply(change, HUNDRED), multiply(old, limit))) >= least;
  };
}

function reached(threshold: ChangeThreshold, { id, kg }: OldOne, current: Decimal): SignificantChange {
  const changeKg = subtract(current, kg);
  const size = isNegative(changeKg) ? subtract(kg, current) : changeKg;
  return { threshold, earlierId: id, changeKg, percentText: toText(divideHalfUp(multiply(size, HUNDRED), kg, 1)) };
}
