/**
 * First layer of plausibility: what a weight, a height or the BMI from both can be at an age.
 * Outside the outer band a value is refused, between the bands it is held; a value equal to a
 * limit passes. Comparison with the previous measurement is `trend.ts`'s business.
 */
import { AGE_BANDS } from '../age-bands.ts';
import { isNegative, isZero } from '../decimal.ts';
import type { BmiDraft } from '../derive/bmi.ts';
import { UNITS, convertForReading, type Quantity } from '../quantity.ts';
import { isBeyondLimit, isCharted, isUnusualValue, spanLeft, unusualBmi } from '../serial/limits.ts';
import type { View } from '../serial/view.ts';
import { VALUE_NUMBER, type Rule } from './rule.ts';

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

function describeSpan(
  { reading, band }: Pick<View, 'band'> & { readonly reading: { readonly quantity: Quantity } },
  [low, high]: readonly [string, string],
): Record<string, string> {
  const { quantity } = reading;
  const unit = UNITS[quantity.unit].of === 'weight' ? 'kg' : 'cm';
  return { value: withBase(quantity), low, high, unit, age: AGE_BANDS[band].label };
}

/** As it was sent, and in kg or cm where that is another unit. */
function withBase(quantity: Quantity): string {
  const { of, imperial } = UNITS[quantity.unit];
  const unit = of === 'weight' ? 'kg' : 'cm';
  const converted = imperial || quantity.unit === 'g' ? ` (${convertForReading(quantity, unit, 1)} ${unit})` : '';
  return `${quantity.text} ${quantity.unit}${converted}`;
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
  check: ({ quantity, observation, context, band }) => {
    if (quantity === undefined || quantity.value.coefficient <= 0n || observation.status === 'entered-in-error') return undefined;
    const { of } = UNITS[quantity.unit];
    const looked = { reading: { of, quantity }, band, policy: context.policy };
    const span = spanLeft(looked, 'refuse');
    return span && { facts: describeSpan(looked, span) };
  },
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
  settledBy: 'second-weighing',
  among: (view) => {
    if (view.suspicion?.holds || view.reading.quantity.value.coefficient <= 0n) return undefined;
    const span = isImpossible(view) || isCharted(view) ? undefined : spanLeft(view, 'hold');
    return span && { facts: describeSpan(view, span) };
  },
};

function isImpossible(view: View): boolean {
  return spanLeft(view, 'refuse') !== undefined;
}

/** One cause, one finding: a suspicion or a jump says it better, and the value itself may be out. */
function isExplained(view: View): boolean {
  if (view.suspicion?.holds || isImpossible(view) || isUnusualValue(view)) return true;
  return view.change !== undefined && isBeyondLimit(view.change, view);
}

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
  settledBy: 'second-weighing',
  among: (view) => {
    const [worst] = isExplained(view) ? [] : view.impossibleBmi;
    const { refuse } = view.policy.limits[view.band].bmi;
    return worst && { facts: { ...describe(worst), low: refuse[0], high: refuse[1] } };
  },
};

const unusualBmiRule: Rule = {
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
  settledBy: 'second-weighing',
  among: (view) => {
    const unusual = isExplained(view) ? undefined : unusualBmi(view);
    return unusual && { facts: { ...describe(unusual.draft), low: unusual.range[0], high: unusual.range[1], prior: unusual.prior } };
  },
};

export const PLAUSIBILITY_RULES: readonly Rule[] = [valueZero, valueNegative, impossibleValue, unusualValue, impossibleBmi, unusualBmiRule];
