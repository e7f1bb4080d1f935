/** A length of one part of the body in the place of a height: why no height was estimated from it. */
import { estimateFrom } from '../derive/height-figure.ts';
import { HEIGHT_ESTIMATES, type NoEstimateReason } from '../derive/estimated-height.ts';
import { limbComponentOf } from '../observation.ts';
import { describeQuantity } from '../quantity.ts';
import type { Rule } from './rule.ts';

const WORDS: Readonly<Record<NoEstimateReason, { readonly reason: string; readonly remedy: string }>> = {
  'sex-unknown': {
    reason: 'the equations differ by sex, and none is recorded as male or female',
    remedy: 'Send the Patient with the gender if it is known (PUT Patient); the height follows by itself.',
  },
  'age-unknown': {
    reason: 'the equations differ by age, and the birth date is missing or too coarse',
    remedy: 'Send the Patient with a full birth date (PUT Patient); the height follows by itself.',
  },
  'age-outside': { reason: 'no published equation is for this age', remedy: 'Measure the height, or another part of the body.' },
  'length-implausible': {
    reason: 'the length is outside what is taken for one',
    remedy: 'Check which length was measured, and measure again.',
  },
};

const notEstimated: Rule = {
  id: 'height-not-estimated',
  title: 'No height follows from this length',
  family: 'plausibility',
  outcome: 'warn',
  movable: true,
  code: 'business-rule',
  expression: 'Observation.component',
  source: Object.values(HEIGHT_ESTIMATES)
    .map(({ source }) => source)
    .join('; '),
  explain: 'No height was estimated from the {what}: {reason}. {remedy}',
  settings: ['derive.estimatedHeight'],
  check: ({ observation, reading, measure, context }) => {
    const component = limbComponentOf(observation);
    const isAsked = measure?.of === 'height' && observation.valueQuantity === undefined && observation.status !== 'entered-in-error';
    if (component === undefined || !isAsked || !context.policy.values['derive.estimatedHeight']) return undefined;
    const what = HEIGHT_ESTIMATES[component.estimate].input.display.split(',')[0]?.toLowerCase() ?? '';
    if (reading?.limb === undefined)
      return { facts: { what, reason: 'it is no amount in cm or [in_i]', remedy: 'Send it as a Quantity in one of these units.' } };
    const estimate = estimateFrom(reading, context.person);
    if (typeof estimate !== 'string') return undefined;
    return { facts: { what: `${what} of ${describeQuantity(reading.limb.length)}`, ...WORDS[estimate] } };
  },
};

export const ESTIMATED_HEIGHT_RULES: readonly Rule[] = [notEstimated];
