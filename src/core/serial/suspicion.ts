/**
 * What lies behind a doubtful number: read in another unit, with the point elsewhere, in the other
 * field, on another person, or with the chair left in, it makes sense. The value is never altered;
 * the suspicion says which, with the arithmetic.
 *
 * Sources: Pennsylvania Patient Safety Advisory 2016;13(2):50-57 (pounds for kilograms 23.2 % of
 * 1,291 weight events); Hirata et al., Pediatr Emerg Care 2019;35:637-642 (pounds and decimal slips
 * most common); NHANES 2017-2018 with corrupted records, computed (how near is near).
 */
import { add, compare, decimal, divideHalfUp, isNegative, multiply, subtract, toShortestText, type Decimal } from '../decimal.ts';
import { bodyMassIndex, type UsableReading } from '../derive/bmi.ts';
import { inBaseUnit, type Quantity, type UnitCode } from '../quantity.ts';
import { intervalWords, isMoreThanPercent, magnitude, signed } from './change.ts';
import { isDoubtful, isOutside, spanLeft, usualBmi } from './limits.ts';
import type { Suspicion, SuspicionKind, View } from './view.ts';

/** The rule that names each kind, see `rules/mixup.ts`. */
export const SUSPICION_RULE: Readonly<Record<SuspicionKind, string>> = {
  'pounds-as-kilograms': 'mixup-pounds-as-kilograms',
  'kilograms-as-pounds': 'mixup-kilograms-as-pounds',
  'inches-as-centimetres': 'mixup-inches-as-centimetres',
  'centimetres-as-inches': 'mixup-centimetres-as-inches',
  grams: 'mixup-grams',
  'decimal-point': 'mixup-decimal-point',
  'weight-height': 'mixup-weight-height',
  'tare-forgotten': 'tare-forgotten',
  'tare-subtracted-twice': 'tare-subtracted-twice',
  'other-person': 'mixup-other-person',
};

type Found = Omit<Suspicion, 'holds'>;

/**
 * The one suspicion that explains a doubtful reading best; undefined when it is not doubtful or
 * nothing does. Half of an exchange is doubtful when the other half is.
 */
export function suspect(view: View): Suspicion | undefined {
  if (!view.counts) return undefined;
  const doubtful = isDoubtful(view);
  const found = exchanged(view, doubtful) ?? (doubtful ? (misread(view) ?? tareMistake(view) ?? otherPerson(view)) : undefined);
  if (found === undefined) return undefined;
  const { [SUSPICION_RULE[found.kind]]: outcome = 'hold' } = view.policy.outcomes;
  return { ...found, holds: outcome === 'hold' || outcome === 'refuse' };
}

interface Misreading {
  readonly kind: SuspicionKind;
  /** The same digits read as this unit. */
  readonly unit?: UnitCode;
  /** The point moved: value times this, in the unit that it was sent in. */
  readonly times?: string;
}

const POINT: readonly Misreading[] = ['0.1', '10', '0.01', '100'].map((times) => ({ kind: 'decimal-point', times }));

const MISREADINGS: Readonly<Record<UnitCode, readonly Misreading[]>> = {
  kg: [{ kind: 'pounds-as-kilograms', unit: '[lb_av]' }, { kind: 'grams', unit: 'g' }, ...POINT],
  g: [{ kind: 'grams', unit: 'kg' }, ...POINT],
  '[lb_av]': [{ kind: 'kilograms-as-pounds', unit: 'kg' }, ...POINT],
  cm: [{ kind: 'inches-as-centimetres', unit: '[in_i]' }, ...POINT],
  '[in_i]': [{ kind: 'centimetres-as-inches', unit: 'cm' }, ...POINT],
};

interface Fitting extends Misreading {
  readonly amount: Decimal;
  readonly quantity: Pick<Quantity, 'value' | 'unit'>;
}

/** Another unit or another place of the point: the one that comes nearest, or the only one that makes sense. */
function misread(view: View): Found | undefined {
  const { quantity, of } = view.reading;
  const fitting: Fitting[] = MISREADINGS[quantity.unit]
    .map(({ kind, unit = quantity.unit, times = '1' }) => {
      const meant = { value: multiply(quantity.value, decimal(times)), unit };
      return { kind, unit, times, quantity: meant, amount: inBaseUnit(meant) };
    })
    .filter(({ amount }) => makesSense(amount, view));
  const { change } = view;
  const distance = ({ amount }: Fitting): Decimal => magnitude(change ? subtract(amount, change.from) : amount);
  const [first, second] = change === undefined ? fitting : [...fitting].sort((a, b) => compare(distance(a), distance(b)));
  if (first === undefined || (change === undefined && second !== undefined)) return undefined;
  return {
    kind: first.kind,
    facts: {
      value: written(quantity),
      meant: meantText(first, of),
      against: against(view),
    },
  };
}

/** As it would be written, with the kilograms or centimetres that it comes to where that is another unit. */
function meantText({ quantity, amount }: Fitting, of: UsableReading['of']): string {
  const text = `${toShortestText(quantity.value)} ${quantity.unit}`;
  const base = inBase(amount, of);
  return quantity.unit === 'kg' || quantity.unit === 'cm' ? text : `${text} (${base})`;
}

/** Near the last value; or, without one, usual for the age and with the BMI that follows. */
function makesSense(amount: Decimal, view: View): boolean {
  const { change, reading, policy, band } = view;
  if (change !== undefined) return isNear(amount, change.from, reading.of, view);
  const usual = policy.limits[band][reading.of].hold;
  if (usual === undefined || isOutside(amount, usual)) return false;
  const partner = partnerOf(view);
  if (partner === undefined) return isTelling(view);
  const draft = { ...reading, quantity: { value: amount, text: '', unit: reading.of === 'weight' ? ('kg' as const) : ('cm' as const) } };
  const [weight, height] = reading.of === 'weight' ? [draft, partner] : [partner, draft];
  const { range } = usualBmi({ weight }, view);
  return range === undefined || !isOutside(bodyMassIndex(weight.quantity, height.quantity), range);
}

/**
 * May the number by itself say what it was meant to be? A height of 65 cm for an adult may; almost
 * any weight would be usual in some other unit, so a weight must first be impossible as it is.
 */
function isTelling(view: View): boolean {
  if (spanLeft(view, 'refuse') !== undefined) return true;
  return view.reading.of === 'height' && view.band !== 'age-unknown';
}

function isNear(amount: Decimal, last: Decimal, of: UsableReading['of'], { policy }: View): boolean {
  const apart = subtract(amount, last);
  if (of === 'weight') return !isMoreThanPercent(apart, last, policy.values['mixup.agreesPercent']);
  return compare(magnitude(apart), decimal(policy.values['change.adultHeightCm'])) <= 0;
}

/** The reading of the other measure that a BMI would be made with. */
function partnerOf({ bmi, impossibleBmi, reading }: View): UsableReading | undefined {
  const draft = bmi[0] ?? impossibleBmi[0];
  return draft && (reading.of === 'weight' ? draft.height : draft.weight);
}

/**
 * Weight and height in each other's field, in kilograms and centimetres. Named when the visit has
 * the other half of the exchange, or when the number is the person's last value of the other
 * measure. A weight of more kilograms than the height has centimetres is no exchange by itself:
 * 18 of 5,175 adults of NHANES 2017-2018 have one.
 */
function exchanged(view: View, doubtful: boolean): Found | undefined {
  const { reading, accepted, visit } = view;
  const { of, quantity } = reading;
  if (!isMetric(quantity)) return undefined;
  const other = of === 'weight' ? 'height' : 'weight';
  const [last, lastOther] = [accepted[of].at(-1), accepted[other].at(-1)];
  const fits = (number: Decimal, measure: UsableReading['of'], before: UsableReading | undefined): boolean =>
    before !== undefined ? isNear(number, inBaseUnit(before.quantity), measure, view) : isUsual(number, measure, view);
  const isHalf = (half: UsableReading): boolean =>
    isMetric(half.quantity) &&
    fits(half.quantity.value, of, last) &&
    fits(quantity.value, other, lastOther) &&
    ((doubtful && last !== undefined) || !isUsual(quantity.value, of, view) || !isUsual(half.quantity.value, other, view));
  const half = visit.find(isHalf);
  const isTheLast = doubtful && last !== undefined && lastOther !== undefined && isSame(quantity.value, lastOther);
  const evidence = half ?? (isTheLast ? lastOther : undefined);
  if (evidence === undefined) return undefined;
  return {
    kind: 'weight-height',
    facts: {
      value: written(quantity),
      of,
      other,
      evidence: `the ${other} ${half ? 'of this visit' : 'last accepted'} is ${written(evidence.quantity)}`,
    },
  };
}

function isMetric({ unit }: Quantity): boolean {
  return unit === 'kg' || unit === 'cm';
}

/** Within one, since the digits were typed and not measured. */
function isSame(number: Decimal, { quantity }: UsableReading): boolean {
  return compare(magnitude(subtract(number, inBaseUnit(quantity))), decimal('1')) <= 0;
}

function isUsual(number: Decimal, of: UsableReading['of'], { policy, band }: View): boolean {
  const span = policy.limits[band][of].hold;
  return span === undefined || !isOutside(number, span);
}

/** A change of about the mass of a chair or sling that this person is weighed in. */
function tareMistake({ reading, change, knownTares, policy }: View): Found | undefined {
  if (reading.of !== 'weight' || change === undefined || reading.method === 'standing-scale') return undefined;
  const { 'tare.jumpToleranceKg': tolerance, 'tare.jumpLeastKg': least } = policy.values;
  const jump = magnitude(change.difference);
  if (compare(jump, decimal(least)) < 0) return undefined;
  const chair = knownTares.find((tare) => compare(magnitude(subtract(jump, inBaseUnit(tare))), decimal(tolerance)) <= 0);
  if (chair === undefined) return undefined;
  const lost = isNegative(change.difference);
  const corrected = lost ? add(inBaseUnit(reading.quantity), inBaseUnit(chair)) : subtract(inBaseUnit(reading.quantity), inBaseUnit(chair));
  return {
    kind: lost ? 'tare-subtracted-twice' : 'tare-forgotten',
    facts: {
      value: written(reading.quantity),
      change: `${signed(change.difference)} kg`,
      last: written(change.previous.quantity),
      tare: written(chair),
      amount: inBase(corrected, 'weight'),
    },
  };
}

function otherPerson({ reading }: View): Found | undefined {
  const [other] = reading.mistakenFor ?? [];
  if (other === undefined) return undefined;
  return {
    kind: 'other-person',
    facts: {
      value: written(reading.quantity),
      difference: other.differenceKg,
      minutes: String(other.minutesApart),
      other: other.observation,
    },
  };
}

function against(view: View): string {
  const { change, reading } = view;
  if (change) return `the last ${reading.of}, ${written(change.previous.quantity)} ${intervalWords(change.intervalMs)} before`;
  const partner = partnerOf(view);
  return partner ? `a ${partner.of} of ${written(partner.quantity)}` : 'what is usual for the age';
}

function written({ text, unit }: Quantity): string {
  return `${text} ${unit}`;
}

/** In kg or cm, with one decimal. */
function inBase(amount: Decimal, of: UsableReading['of']): string {
  return `${toShortestText(divideHalfUp(amount, decimal('1'), of === 'weight' ? 2 : 1))} ${of === 'weight' ? 'kg' : 'cm'}`;
}
