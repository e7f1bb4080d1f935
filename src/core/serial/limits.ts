/** Is a reading doubtful: beyond what an age allows, what a change can be, what a BMI usually is? */
import { conditionsText, FLUID, MASSES_ALONG } from '../conditions.ts';
import { compare, decimal, isNegative, multiply, subtract, toShortestText, type Decimal } from '../decimal.ts';
import type { BmiDraft, UsableReading } from '../derive/bmi.ts';
import { DAY_MS } from '../fhir-time.ts';
import { inBaseUnit } from '../quantity.ts';
import { isMoreThanPercent, magnitude, type Change } from './change.ts';
import type { View } from './view.ts';

type Span = readonly [low: string, high: string];

export function isOutside(value: Decimal, [low, high]: Span): boolean {
  return compare(value, decimal(low)) < 0 || compare(value, decimal(high)) > 0;
}

/** The span of an age band that a value leaves; undefined when it lies inside, or when none is known. */
export function spanLeft(
  { reading, band, policy }: Pick<View, 'band' | 'policy'> & { readonly reading: Pick<UsableReading, 'of' | 'quantity'> },
  which: 'refuse' | 'hold',
): Span | undefined {
  const span = policy.limits[band][reading.of][which];
  return span !== undefined && isOutside(inBaseUnit(reading.quantity), span) ? span : undefined;
}

/** Does a growth chart say what is plausible here? Then the inner limits of the age band are not asked. */
export function isCharted({ growth }: Pick<View, 'growth'>): boolean {
  return growth?.own.outcome === 'assessed';
}

/** Outside what is usual at this age: by the growth chart where one applies, else by the age band. */
export function isUnusualValue(view: View): boolean {
  const { growth } = view;
  return growth?.own.outcome === 'assessed' ? growth.own.implausible !== undefined : spanLeft(view, 'hold') !== undefined;
}

function isBmiImplausible({ growth }: Pick<View, 'growth'>): boolean {
  return growth?.bmi.some(({ assessment }) => assessment.outcome === 'assessed' && assessment.implausible !== undefined) ?? false;
}

/** The limit that a change of weight goes beyond. */
export interface BrokenLimit {
  readonly days: 30 | 365;
  /** `10 %` or `45.4 kg`. */
  readonly limit: string;
}

/**
 * Limits by the age at the earlier weight and by the interval; a change that equals its limit
 * passes. Percentages are wider where the number may well have changed with what it stands on; the
 * most that anybody changes in kilograms stays, and so do the limits of one weight by itself.
 */
export function brokenWeightLimit(change: Change, view: Pick<View, 'reading' | 'policy'>): BrokenLimit | undefined {
  const limits = weightChangeLimits(change, view);
  if (limits === undefined) return undefined;
  const { difference, from } = change;
  const { days, gainPercent, lossPercent, mostKilograms } = limits;
  const percent = isNegative(difference) ? lossPercent : gainPercent;
  if (isMoreThanPercent(difference, from, percent)) return { days, limit: `${percent} %` };
  return compare(magnitude(difference), decimal(mostKilograms)) > 0 ? { days: 365, limit: `${mostKilograms} kg` } : undefined;
}

/** How much a weight may change after a time; texts of decimals. */
export interface WeightChangeLimits {
  readonly days: 30 | 365;
  /** Of the earlier weight. */
  readonly gainPercent: string;
  readonly lossPercent: string;
  /** In either direction, whatever the percentages say. */
  readonly mostKilograms: string;
}

/** Undefined after more than a year: then nothing is said of a change. */
export function weightChangeLimits(
  { previous, intervalMs, bandBefore }: Change,
  { reading, policy }: Pick<View, 'reading' | 'policy'>,
): WeightChangeLimits | undefined {
  if (intervalMs > 365 * DAY_MS) return undefined;
  const days = intervalMs <= 30 * DAY_MS ? 30 : 365;
  const { gainPercent, lossPercent } = policy.changeLimits[bandBefore][`within${days}Days`];
  const isWider = standsOnOther(previous, reading);
  const factor = decimal(policy.values['conditions.changeLimitFactor']);
  const widened = (percent: string): string => (isWider ? toShortestText(multiply(decimal(percent), factor)) : percent);
  return {
    days,
    gainPercent: widened(gainPercent),
    lossPercent: widened(lossPercent),
    mostKilograms: policy.values['change.mostKilogramsPerYear'],
  };
}

/** Fluid in either of two weights, or something that weighs by itself in one of them only. */
function standsOnOther(one: UsableReading, other: UsableReading): boolean {
  const hasFluid = [one, other].some(({ conditions }) => conditionsText(conditions, FLUID) !== '');
  return hasFluid || conditionsText(one.conditions, MASSES_ALONG) !== conditionsText(other.conditions, MASSES_ALONG);
}

/** How far a height may lie below and above the last one, in cm. */
export interface HeightLimit {
  readonly below: string;
  readonly above?: string;
}

/**
 * Adults do not grow; children do not shrink. A length lying is not a height standing: between the
 * two the measured difference is allowed for.
 */
export function heightLimit({ previous }: Change, { reading, band, policy }: Pick<View, 'reading' | 'band' | 'policy'>): HeightLimit {
  const { values } = policy;
  const [before, now] = [previous.position, reading.position];
  const isGrown = band === 'adult' || band === 'age-unknown';
  const same = isGrown
    ? { below: values['change.adultHeightCm'], above: values['change.adultHeightCm'] }
    : { below: values['change.youthHeightLossCm'] };
  if (before === now || before === undefined || now === undefined) return same;
  const [lyingAbove, lyingBelow] = [values['change.lyingAboveStandingCm'], values['change.lyingBelowStandingCm']];
  if (before === 'lying') return { ...same, below: larger(lyingAbove, same.below) };
  return now === 'lying' ? { below: larger(lyingBelow, same.below), ...(same.above && { above: larger(lyingAbove, same.above) }) } : same;
}

function larger(one: string, other: string): string {
  return compare(decimal(one), decimal(other)) >= 0 ? one : other;
}

export function brokenHeightLimit(change: Change, view: Pick<View, 'reading' | 'band' | 'policy'>): string | undefined {
  const { below, above } = heightLimit(change, view);
  const limit = isNegative(change.difference) ? below : above;
  return limit !== undefined && compare(magnitude(change.difference), decimal(limit)) > 0 ? limit : undefined;
}

export interface UsualBmi {
  readonly range?: Span;
  readonly prior: string;
}

/** What a BMI usually is for this person: narrower when no earlier weight agrees. */
export function usualBmi(
  { weight }: Pick<BmiDraft, 'weight'>,
  { band, policy, accepted }: Pick<View, 'band' | 'policy' | 'accepted'>,
): UsualBmi {
  const { values, limits } = policy;
  if (band !== 'adult' && band !== 'age-unknown')
    return { ...(limits[band].bmi.hold && { range: limits[band].bmi.hold }), prior: ', the usual range for the age' };
  const before = accepted.weight.filter(({ id }) => id !== weight.id);
  if (before.some((other) => agreesWithin(weight, other, values['bmi.priorAgreesPercent'])))
    return { range: [values['bmi.hold.withPrior.low'], values['bmi.hold.withPrior.high']], prior: ', although an earlier weight agrees' };
  const prior = ', and no earlier weight agrees';
  if (band === 'adult') return { range: [values['bmi.hold.firstWeight.low'], values['bmi.hold.firstWeight.high']], prior };
  return { range: [values['bmi.hold.ageUnknown.low'], values['bmi.hold.ageUnknown.high']], prior };
}

function agreesWithin(weight: UsableReading, other: UsableReading, percent: string): boolean {
  const before = inBaseUnit(other.quantity);
  return !isMoreThanPercent(subtract(inBaseUnit(weight.quantity), before), before, percent);
}

export function unusualBmi(
  view: Pick<View, 'bmi' | 'band' | 'policy' | 'accepted' | 'growth'>,
): (UsualBmi & { readonly draft: BmiDraft; readonly range: Span }) | undefined {
  for (const [place, draft] of view.bmi.entries()) {
    if (view.growth?.bmi[place]?.assessment.outcome === 'assessed') continue;
    const { range, prior } = usualBmi(draft, view);
    if (range !== undefined && isOutside(draft.value, range)) return { draft, range, prior };
  }
  return undefined;
}

/** Anything about the number itself that wants an explanation. */
export function isDoubtful(view: View): boolean {
  const { change } = view;
  if (spanLeft(view, 'refuse') || isUnusualValue(view) || view.impossibleBmi.length > 0) return true;
  if (unusualBmi(view) || isBmiImplausible(view)) return true;
  return change !== undefined && isBeyondLimit(change, view);
}

/** More change than the time allows, of a weight or a height. */
export function isBeyondLimit(change: Change, view: Pick<View, 'reading' | 'band' | 'policy'>): boolean {
  const broken = view.reading.of === 'weight' ? brokenWeightLimit(change, view) : brokenHeightLimit(change, view);
  return broken !== undefined;
}
