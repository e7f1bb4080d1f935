/** A reading against the last accepted one: how much can change in how long a time, and does it compare. */
import { LARGEST_NEWBORN_LOSS } from '../change-limits.ts';
import { compare, decimal, isNegative, subtract, toShortestText } from '../decimal.ts';
import { DAY_MS } from '../fhir-time.ts';
import { describeQuantity, inBaseUnit } from '../quantity.ts';
import {
  changeSince,
  intervalWords,
  isMoreThanPercent,
  magnitude,
  percentText,
  perDayText,
  signed,
  type Change,
} from '../serial/change.ts';
import { INCOMPARABLE_WORDS } from '../serial/comparability.ts';
import { brokenHeightLimit, brokenWeightLimit, isUnusualValue, spanLeft } from '../serial/limits.ts';
import type { View } from '../serial/view.ts';
import { VALUE_NUMBER, type Rule } from './rule.ts';

/** A suspicion, or the value by itself, is the nearer cause. */
function isExplained(view: View): boolean {
  return view.suspicion?.holds === true || spanLeft(view, 'refuse') !== undefined || isUnusualValue(view);
}

function describe(change: Change, { reading }: View): Record<string, string> {
  const rate = perDayText(change);
  return {
    value: describeQuantity(reading.quantity),
    previous: describeQuantity(change.previous.quantity),
    interval: intervalWords(change.intervalMs),
    change: `${signed(change.difference)} ${reading.of === 'weight' ? 'kg' : 'cm'}`,
    percent: `${percentText(change)} %`,
    rate: rate === undefined ? '' : `, ${rate} kg a day`,
  };
}

const weightChangeRate: Rule = {
  id: 'weight-change-rate',
  title: 'More change than the time allows',
  family: 'change',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source:
    'NHANES 2017-2018 adults with corrupted records, computed (10 % in 30 days, 20 % in 365); Goodrich et al. 2016 (100 lb); children: twice the fastest growth of the WHO 2006 and CDC 2000 charts, computed',
  explain:
    '{value} is {change} ({percent}{rate}) from {previous}, accepted {interval} before, beyond the limit of {limit} within {days} days. Check person, chair and clothing, and weigh again to confirm it.',
  settings: ['limits.change', 'change.mostKilogramsPerYear', 'conditions.changeLimitFactor'],
  settledBy: 'second-weighing',
  among: (view) => {
    const { change, reading } = view;
    if (change === undefined || reading.of !== 'weight' || isExplained(view)) return undefined;
    const broken = brokenWeightLimit(change, view);
    return broken && { facts: { ...describe(change, view), limit: broken.limit, days: String(broken.days) } };
  },
};

const newbornLossHeld: Rule = {
  id: 'newborn-loss-check',
  title: 'A newborn far below birth weight',
  family: 'change',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source: 'common practice, no source: a loss beyond 15 % is weighed again at once; notices at 7 and 10 % are separate',
  explain:
    '{value} is {percent} % below the birth weight of {birth}, more than {limit} %. Weigh again at once, and tell whoever looks after the child without waiting for this service.',
  settings: ['change.newbornLossPercent'],
  settledBy: 'second-weighing',
  among: (view) => {
    const { reading, birthWeight, age, policy, counts } = view;
    if (!counts || reading.of !== 'weight' || birthWeight === undefined || isExplained(view)) return undefined;
    if (age === undefined || age.oldestDays > LARGEST_NEWBORN_LOSS.throughAgeDays) return undefined;
    const born = inBaseUnit(birthWeight.quantity);
    const lost = subtract(born, inBaseUnit(reading.quantity));
    const limit = policy.values['change.newbornLossPercent'];
    if (isNegative(lost) || !isMoreThanPercent(lost, born, limit)) return undefined;
    return {
      facts: {
        value: describeQuantity(reading.quantity),
        birth: describeQuantity(birthWeight.quantity),
        percent: percentText({ difference: lost, from: born }).replace('+', ''),
        limit,
      },
    };
  },
};

const heightChange: Rule = {
  id: 'height-change',
  title: 'A height that cannot have changed so',
  family: 'change',
  outcome: 'hold',
  movable: true,
  code: 'business-rule',
  expression: VALUE_NUMBER,
  source:
    'Muthalagu et al., Appl Clin Inform 2014;5:118-126 (adults, 3.5 cm); Phan et al., Sci Rep 2020;10:10164 (children: small decreases are the commonest fault); NHANES 2017-2018, lying and standing, computed',
  explain:
    '{value} is {change} from {previous}, measured {interval} before, beyond the limit of {limit} cm. Check person and position, shoes off, and measure again.',
  settings: ['change.adultHeightCm', 'change.youthHeightLossCm', 'change.lyingBelowStandingCm', 'change.lyingAboveStandingCm'],
  settledBy: 'second-weighing',
  among: (view) => {
    const { change, reading } = view;
    if (change === undefined || reading.of !== 'height' || isExplained(view)) return undefined;
    const limit = brokenHeightLimit(change, view);
    return limit === undefined ? undefined : { facts: { ...describe(change, view), limit } };
  },
};

const NOTED_HEIGHT_LOSS_CM = decimal('2');
const NOTED_HEIGHT_LOSS_MS = 4 * 365.25 * DAY_MS;

const heightLossNoted: Rule = {
  id: 'height-loss-noted',
  title: 'An adult who became shorter',
  family: 'change',
  outcome: 'warn',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  onlyAccepted: true,
  source: 'Auyeung et al., Age Ageing 2010;39:699-704: more than 2 cm in 4 years, linked with fractures',
  explain:
    '{value} is {loss} cm less than {previous}, measured {interval} before. Measure again, shoes off and upright; tell the clinical team. This is a measurement and no diagnosis.',
  among: (view) => {
    const { reading, accepted, counts, band } = view;
    if (!counts || reading.of !== 'height' || band !== 'adult') return undefined;
    const tallest = accepted.height
      .filter(
        ({ effective, position }) => reading.effective.startMs - effective.startMs <= NOTED_HEIGHT_LOSS_MS && position === reading.position,
      )
      .reduce<View['reading'] | undefined>(
        (most, one) => (most && compare(inBaseUnit(most.quantity), inBaseUnit(one.quantity)) >= 0 ? most : one),
        undefined,
      );
    if (tallest === undefined) return undefined;
    const loss = subtract(inBaseUnit(tallest.quantity), inBaseUnit(reading.quantity));
    if (compare(loss, NOTED_HEIGHT_LOSS_CM) <= 0) return undefined;
    return {
      facts: {
        value: describeQuantity(reading.quantity),
        previous: describeQuantity(tallest.quantity),
        loss: toShortestText(magnitude(loss)),
        interval: intervalWords(reading.effective.startMs - tallest.effective.startMs),
      },
    };
  },
};

const COMPARABLE =
  'common practice of heart-failure and ward instructions (same scale, time of day and clothing); Whigham et al., Int J Obes 2013;37:160-161; OIML R 76-1; Skoll et al., medRxiv 2023.08.25.23294652';

const weightComparable: Rule = {
  id: 'weight-comparable',
  title: 'Comparable with the previous weight',
  family: 'change',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  onlyAccepted: true,
  source: COMPARABLE,
  explain: 'Comparable with {previous}, accepted {interval} before: {change} ({percent}{rate}). No action is needed.',
  settings: ['comparability.timeOfDayHours', 'comparability.unknownCompares', 'ward.timeZone'],
  among: (view) => {
    const { change, comparison } = view;
    return change && comparison?.reasons.length === 0 ? { facts: describe(change, view) } : undefined;
  },
};

const weightNotComparable: Rule = {
  id: 'weight-not-comparable',
  title: 'Not comparable with the previous weight',
  family: 'change',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: VALUE_NUMBER,
  onlyAccepted: true,
  source: COMPARABLE,
  explain:
    'Not comparable with {previous}, accepted {interval} before ({reasons}), so its change of {change} is not called significant{comparable}. For a change that can be relied on, weigh on the same scale, at the same time of day, in the same clothing.',
  settings: ['comparability.timeOfDayHours', 'comparability.unknownCompares', 'ward.timeZone'],
  among: (view) => {
    const { change, comparison } = view;
    if (change === undefined || comparison === undefined || comparison.reasons.length === 0) return undefined;
    const reasons = comparison.reasons.map((reason) => INCOMPARABLE_WORDS[reason]).join(', ');
    return { facts: { ...describe(change, view), reasons, comparable: sinceComparable(view) } };
  },
};

/** The change since the last weight that does compare, where there is one. */
function sinceComparable(view: View): string {
  const { comparison, accepted, reading, person } = view;
  const comparable = accepted.weight.findLast(({ id }) => id === comparison?.lastComparable);
  if (comparable === undefined) return '';
  const { previous, interval, change, percent, rate } = describe(changeSince(comparable, reading, person), view);
  return `; the last that does compare is ${previous}, ${interval} before: ${change} (${percent}${rate})`;
}

export const CHANGE_RULES: readonly Rule[] = [
  weightChangeRate,
  newbornLossHeld,
  heightChange,
  heightLossNoted,
  weightComparable,
  weightNotComparable,
];
