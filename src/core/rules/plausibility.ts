/**
 * First layer of plausibility: what a weight, a height or the BMI from both can be at an age.
 * Outside the outer band a value is refused, between the bands it is held; a value equal to a
 * limit passes. Comparison with the previous measurement is `trend.ts`'s business.
 */
import { AGE_BANDS } from '../age-bands.ts';
import { compare, decimal, isNegative, isZero, multiply, subtract, type Decimal } from '../decimal.ts';
import type { BmiDraft } from '../derive/bmi.ts';
import { UNITS, convertForReading, inBaseUnit } from '../quantity.ts';
import { isUsable } from '../reading.ts';
import { VALUE_NUMBER, type Hit, type Rule, type Subject } from './rule.ts';

const BANDS_SOURCE =
  'records (smallest newborn, tallest and heaviest person); Littman et al. 2012; Maguen et al. 2013; WHO Child Growth Standards 2006 and CDC 2016 flags, computed over age bands';

const valueZero: Rule = {
  id: 'value-zero',
  title: 'Zero is no reading',
  family: 'plausibility',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'common practice, no source: an empty scale shows zero',
  explain: 'The value is zero, which is what an empty scale shows. Send the reading after the person is on the scale.',
  check: ({ quantity, observation }) => (quantity && isZero(quantity.value) && observation.status !== 'entered-in-error' ? {} : undefined),
};

const valueNegative: Rule = {
  id: 'value-negative',
  title: 'A negative weight or height',
  family: 'plausibility',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'common practice, no source: a scale zeroed under load shows less than zero',
  explain:
    'The value is below zero: the scale was zeroed with something on it, or the tare is larger than the load. Zero the scale and weigh again.',
  check: ({ quantity, observation }) =>
    quantity && isNegative(quantity.value) && observation.status !== 'entered-in-error' ? {} : undefined,
};

type Band = 'refuse' | 'hold';

function isOutside(value: Decimal, [low, high]: readonly [string, string]): boolean {
  return compare(value, decimal(low)) < 0 || compare(value, decimal(high)) > 0;
}

/** The finding when the value lies outside one band, and (for the inner one) inside the outer. */
function outsideBand(subject: Subject, which: Band): Hit | undefined {
  const { quantity, context, band, observation } = subject;
  if (quantity === undefined || quantity.value.coefficient <= 0n || observation.status === 'entered-in-error') return undefined;
  const { of, imperial } = UNITS[quantity.unit];
  const limits = context.policy.limits[band][of];
  const range = limits[which];
  const value = inBaseUnit(quantity);
  if (range === undefined || !isOutside(value, range)) return undefined;
  if (which === 'hold' && isOutside(value, limits.refuse)) return undefined;
  const unit = of === 'weight' ? 'kg' : 'cm';
  const converted = imperial || quantity.unit === 'g' ? ` (${convertForReading(quantity, unit, 1)} ${unit})` : '';
  return {
    facts: { value: `${quantity.text} ${quantity.unit}${converted}`, low: range[0], high: range[1], unit, age: AGE_BANDS[band].label },
  };
}

function isOutOfBand(subject: Subject): boolean {
  return outsideBand(subject, 'refuse') !== undefined || outsideBand(subject, 'hold') !== undefined;
}

const impossibleValue: Rule = {
  id: 'value-impossible',
  title: 'Outside what a person can weigh or measure',
  family: 'plausibility',
  outcome: 'refuse',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: BANDS_SOURCE,
  explain:
    '{value} is outside {low} to {high} {unit}, the most that is possible ({age}). Check the decimal point, the unit and the field, then measure again.',
  settings: ['limits.weight', 'limits.height'],
  check: (subject) => outsideBand(subject, 'refuse'),
};

const unusualValue: Rule = {
  id: 'value-unusual',
  title: 'Unusual for the age',
  family: 'plausibility',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: BANDS_SOURCE,
  explain:
    '{value} is outside {low} to {high} {unit}, the usual range ({age}). Check person, unit and tare, and measure again to confirm it.',
  settings: ['limits.weight', 'limits.height'],
  check: (subject) => outsideBand(subject, 'hold'),
};

function describe({ weight, height, valueText }: BmiDraft): Record<string, string> {
  return {
    bmi: valueText,
    weight: `${weight.quantity.text} ${weight.quantity.unit}`,
    height: `${height.quantity.text} ${height.quantity.unit}`,
  };
}

const impossibleBmi: Rule = {
  id: 'bmi-impossible',
  title: 'The BMI from weight and height is impossible',
  family: 'plausibility',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'derived from record weights and heights (lightest and heaviest adults)',
  explain:
    '{weight} with a height of {height} gives a BMI of {bmi}, outside {low} to {high}, so one of the two is wrong. Measure both again.',
  settings: ['limits.bmi'],
  check: (subject) => {
    const { impossibleBmi, band, context } = subject;
    if (isOutOfBand(subject)) return undefined; // one cause, one finding: the value itself is out
    const { refuse } = context.policy.limits[band].bmi;
    const worst = impossibleBmi[0];
    return worst && { facts: { ...describe(worst), low: refuse[0], high: refuse[1] } };
  },
};

const unusualBmi: Rule = {
  id: 'bmi-unusual',
  title: 'The BMI from weight and height is unusual',
  family: 'plausibility',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'NHANES 2017-2018, computed detection of pounds typed as kilograms; Littman et al. 2012; CDC 2016 flags for children',
  explain:
    '{weight} with a height of {height} gives a BMI of {bmi}, outside {low} to {high}{prior}. Check for pounds charted as kilograms and the reverse, and weigh again to confirm it.',
  settings: [
    'bmi.hold.firstWeight.low',
    'bmi.hold.firstWeight.high',
    'bmi.hold.withPrior.low',
    'bmi.hold.withPrior.high',
    'bmi.hold.ageUnknown.low',
    'bmi.hold.ageUnknown.high',
    'bmi.priorAgreesPercent',
    'limits.bmi',
  ],
  check: (subject) => {
    if (isOutOfBand(subject)) return undefined;
    for (const draft of subject.bmi) {
      const { range, prior } = usualBmi(draft, subject);
      if (range !== undefined && isOutside(draft.value, range))
        return { facts: { ...describe(draft), low: range[0], high: range[1], prior } };
    }
    return undefined;
  },
};

function usualBmi(draft: BmiDraft, { band, context }: Subject): { readonly range?: readonly [string, string]; readonly prior: string } {
  const { values, limits } = context.policy;
  if (band !== 'adult' && band !== 'age-unknown')
    return { ...(limits[band].bmi.hold && { range: limits[band].bmi.hold }), prior: ', the usual range for the age' };
  if (context.history.some((other) => agreesWith(draft, other, values['bmi.priorAgreesPercent']))) {
    return { range: [values['bmi.hold.withPrior.low'], values['bmi.hold.withPrior.high']], prior: ', although an earlier weight agrees' };
  }
  const prior = ', and no earlier weight agrees';
  if (band === 'adult') return { range: [values['bmi.hold.firstWeight.low'], values['bmi.hold.firstWeight.high']], prior };
  return { range: [values['bmi.hold.ageUnknown.low'], values['bmi.hold.ageUnknown.high']], prior };
}

/** An accepted earlier weight that differs from the draft's weight by at most so many percent of it. */
function agreesWith({ weight }: BmiDraft, other: Subject['context']['history'][number], percent: string): boolean {
  if (other.of !== 'weight' || other.id === weight.id || !isUsable(other) || other.effective.startMs > weight.effective.startMs)
    return false;
  const [now, before] = [inBaseUnit(weight.quantity), inBaseUnit(other.quantity)];
  const difference = subtract(now, before);
  const distance = isNegative(difference) ? subtract(before, now) : difference;
  return compare(multiply(distance, decimal('100')), multiply(before, decimal(percent))) <= 0;
}

export const PLAUSIBILITY_RULES: readonly Rule[] = [valueZero, valueNegative, impossibleValue, unusualValue, impossibleBmi, unusualBmi];
