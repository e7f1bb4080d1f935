/**
 * Example rows of the published thresholds of significant change, at their exact edges.
 * The source of each is named by its threshold (`src/core/derive/change-thresholds.ts`).
 */
import type { Context } from '../../../../src/core/reading.ts';
import { ADA, height, policyWith, reading, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const VALUE = 'Observation.value.ofType(Quantity).value';
const WARN = { outcome: 'warn', code: 'informational', expression: VALUE } as const;
const INFORM = { ...WARN, outcome: 'inform' } as const;
const TELL = 'Tell the clinical team. This is a measurement and no diagnosis.';

/** Ada, weighed before at the same time of day. */
const before = (value: string, day: string, unit = 'kg', time = '08:00:00Z'): Partial<Context> => ({
  history: [reading(weight(value, unit, { effectiveDateTime: `${day}T${time}` }), 'w0')],
});
const birth = (value: string): Partial<Context> => ({
  person: { ...ADA, birthDate: '2026-02-27' },
  history: [
    reading(
      weight(value, 'kg', {
        code: { coding: [{ system: 'http://loinc.org', code: '8339-4' }] },
        effectiveDateTime: '2026-02-27T05:00:00Z',
      }),
      'b0',
    ),
  ],
});

export const SIGNIFICANT_CHANGE_ROWS: Readonly<Record<string, RuleRows>> = {
  'change-long-term-care-loss-30-days': {
    as: WARN,
    accepts: [
      { title: 'a little less than 5 % below', observation: weight('95.1'), context: before('100.0', '2026-01-31') },
      {
        title: 'another time of day, which does not compare',
        observation: weight('90.0'),
        context: before('100.0', '2026-01-31', 'kg', '12:00:00Z'),
      },
      {
        title: 'forty-one days before, which is not near to thirty',
        observation: weight('94.0'),
        context: before('100.0', '2026-01-20'),
      },
      {
        title: 'somebody under eighteen',
        observation: weight('55.0'),
        context: { ...before('60.0', '2026-01-31'), person: { ...ADA, birthDate: '2009-05-01' } },
      },
      {
        title: 'a weight that waits',
        observation: weight('80.0'),
        context: before('100.0', '2026-01-31'),
        also: { 'weight-change-rate': 'more than 10 % in 30 days is weighed again first' },
      },
      {
        title: 'a rule that the policy has turned off',
        observation: weight('94.5'),
        context: {
          ...before('100.0', '2026-01-31'),
          policy: { ...policyWith({}), outcomes: { 'change-long-term-care-loss-30-days': 'off' } },
        },
      },
      { title: 'a height', observation: height(), context: before('100.0', '2026-01-31') },
    ],
    rejects: [
      {
        title: 'exactly 5 % below',
        observation: weight('95.0'),
        context: before('100.0', '2026-01-31'),
        message: `95.0 kg is -5 kg (-5.0 %) from 100.0 kg, weighed 30 days before: 5 % or more lost in 30 days. This threshold is written for residents of long-term care. ${TELL}`,
      },
    ],
  },
  'change-long-term-care-loss-180-days': {
    as: WARN,
    accepts: [{ title: 'a little less than 10 % below', observation: weight('90.1'), context: before('100.0', '2025-09-03') }],
    rejects: [
      {
        title: 'exactly 10 % below',
        observation: weight('90.0'),
        context: before('100.0', '2025-09-03'),
        message: `90.0 kg is -10 kg (-10.0 %) from 100.0 kg, weighed 180 days before: 10 % or more lost in 180 days. This threshold is written for residents of long-term care. ${TELL}`,
      },
    ],
  },
  'change-long-term-care-gain-30-days': {
    as: WARN,
    accepts: [{ title: 'a little less than 5 % above', observation: weight('104.9'), context: before('100.0', '2026-01-31') }],
    rejects: [
      {
        title: 'exactly 5 % above',
        observation: weight('105.0'),
        context: before('100.0', '2026-01-31'),
        message: `105.0 kg is +5 kg (+5.0 %) from 100.0 kg, weighed 30 days before: 5 % or more gained in 30 days. This threshold is written for residents of long-term care. ${TELL}`,
      },
    ],
  },
  'change-long-term-care-gain-180-days': {
    as: WARN,
    accepts: [{ title: 'a little less than 10 % above', observation: weight('109.9'), context: before('100.0', '2025-09-03') }],
    rejects: [
      {
        title: 'exactly 10 % above',
        observation: weight('110.0'),
        context: before('100.0', '2025-09-03'),
        message: `110.0 kg is +10 kg (+10.0 %) from 100.0 kg, weighed 180 days before: 10 % or more gained in 180 days. This threshold is written for residents of long-term care. ${TELL}`,
      },
    ],
  },
  'change-glim-loss-within-6-months': {
    as: WARN,
    accepts: [{ title: 'exactly 5 % below', observation: weight('95.0'), context: before('100.0', '2025-08-30') }],
    rejects: [
      {
        title: 'more than 5 % below',
        observation: weight('94.9'),
        context: before('100.0', '2025-08-30'),
        message: `94.9 kg is -5.1 kg (-5.1 %) from 100.0 kg, weighed 184 days before: more than 5 % lost within 6 months. This threshold is written for adults at nutritional risk by a screening tool; one criterion of several. ${TELL}`,
      },
    ],
  },
  'change-glim-loss-beyond-6-months': {
    as: WARN,
    accepts: [{ title: 'exactly 10 % below', observation: weight('90.0'), context: before('100.0', '2025-08-29') }],
    rejects: [
      {
        title: 'more than 10 % below',
        observation: weight('89.9'),
        context: before('100.0', '2025-08-29'),
        message: `89.9 kg is -10.1 kg (-10.1 %) from 100.0 kg, weighed 185 days before: more than 10 % lost beyond 6 months. This threshold is written for adults at nutritional risk by a screening tool; one criterion of several. ${TELL}`,
      },
    ],
  },
  'change-academy-aspen-loss-within-1-week': {
    as: WARN,
    accepts: [{ title: 'exactly 2 % below', observation: weight('98.0'), context: before('100.0', '2026-02-23') }],
    rejects: [
      {
        title: 'more than 2 % below',
        observation: weight('97.9'),
        context: before('100.0', '2026-02-23'),
        message: `97.9 kg is -2.1 kg (-2.1 %) from 100.0 kg, weighed 7 days before: more than 2 % lost within 1 week. This threshold is written for adults; one characteristic of several, two make the diagnosis. ${TELL}`,
      },
    ],
  },
  'change-academy-aspen-loss-within-1-month': {
    as: WARN,
    accepts: [{ title: 'exactly 5 % below', observation: weight('95.0'), context: before('100.0', '2026-01-30') }],
    rejects: [
      {
        title: 'more than 5 % below',
        observation: weight('94.9'),
        context: before('100.0', '2026-01-30'),
        message: `94.9 kg is -5.1 kg (-5.1 %) from 100.0 kg, weighed 31 days before: more than 5 % lost within 1 month. This threshold is written for adults; one characteristic of several, two make the diagnosis. ${TELL}`,
      },
    ],
  },
  'change-academy-aspen-loss-within-3-months': {
    as: WARN,
    accepts: [{ title: 'exactly 7.5 % below', observation: weight('92.5'), context: before('100.0', '2025-11-30') }],
    rejects: [
      {
        title: 'more than 7.5 % below',
        observation: weight('92.4'),
        context: before('100.0', '2025-11-30'),
        message: `92.4 kg is -7.6 kg (-7.6 %) from 100.0 kg, weighed 92 days before: more than 7.5 % lost within 3 months. This threshold is written for adults; one characteristic of several, two make the diagnosis. ${TELL}`,
      },
    ],
  },
  'change-academy-aspen-loss-within-6-months': {
    as: WARN,
    accepts: [{ title: 'exactly 10 % below', observation: weight('90.0'), context: before('100.0', '2025-08-30') }],
    rejects: [
      {
        title: 'more than 10 % below',
        observation: weight('89.9'),
        context: before('100.0', '2025-08-30'),
        message: `89.9 kg is -10.1 kg (-10.1 %) from 100.0 kg, weighed 184 days before: more than 10 % lost within 6 months. This threshold is written for adults; one characteristic of several, two make the diagnosis. ${TELL}`,
      },
    ],
  },
  'change-academy-aspen-loss-within-1-year': {
    as: WARN,
    accepts: [{ title: 'exactly 20 % below', observation: weight('80.0'), context: before('100.0', '2025-03-01') }],
    rejects: [
      {
        title: 'more than 20 % below',
        observation: weight('79.9'),
        context: before('100.0', '2025-03-01'),
        message: `79.9 kg is -20.1 kg (-20.1 %) from 100.0 kg, weighed 366 days before: more than 20 % lost within 1 year. This threshold is written for adults; one characteristic of several, two make the diagnosis. ${TELL}`,
      },
    ],
  },
  'change-heart-failure-gain-within-1-day': {
    as: INFORM,
    accepts: [
      { title: 'exactly 2 lb above', observation: weight('156.00', '[lb_av]'), context: before('154.00', '2026-03-01', '[lb_av]') },
    ],
    rejects: [
      {
        title: 'more than 2 lb above',
        observation: weight('156.25', '[lb_av]'),
        context: before('154.00', '2026-03-01', '[lb_av]'),
        message: `156.25 [lb_av] is +1.0205828325 kg (+1.5 %) from 154.00 [lb_av], weighed 24 hours before: more than 2 lb gained within 1 day. This threshold is written for people with heart failure who weigh themselves every morning. ${TELL}`,
      },
    ],
  },
  'change-heart-failure-gain-within-1-week': {
    as: INFORM,
    accepts: [
      { title: 'exactly 5 lb above', observation: weight('159.00', '[lb_av]'), context: before('154.00', '2026-02-23', '[lb_av]') },
    ],
    rejects: [
      {
        title: 'more than 5 lb above',
        observation: weight('159.25', '[lb_av]'),
        context: before('154.00', '2026-02-23', '[lb_av]'),
        message: `159.25 [lb_av] is +2.3813599425 kg (+3.4 %) from 154.00 [lb_av], weighed 7 days before: more than 5 lb gained within 1 week. This threshold is written for people with heart failure who weigh themselves every morning. ${TELL}`,
      },
    ],
  },
  'change-newborn-loss-7-percent': {
    as: WARN,
    accepts: [
      { title: 'exactly 7 % below', observation: weight('3.255'), context: birth('3.500') },
      {
        title: 'fifteen days old',
        observation: weight('3.200'),
        context: { ...birth('3.500'), person: { ...ADA, birthDate: '2026-02-15' } },
      },
    ],
    rejects: [
      {
        title: 'more than 7 % below',
        observation: weight('3.250'),
        context: birth('3.500'),
        message: `3.250 kg is -0.25 kg (-7.1 %) from 3.500 kg, weighed 3 days before: more than 7 % of birth weight lost. This threshold is written for breastfed newborns. ${TELL}`,
      },
    ],
  },
  'change-newborn-loss-10-percent': {
    as: WARN,
    accepts: [{ title: 'a little less than 10 % below', observation: weight('3.155'), context: birth('3.500') }],
    rejects: [
      {
        title: 'exactly 10 % below',
        observation: weight('3.150'),
        context: birth('3.500'),
        message: `3.150 kg is -0.35 kg (-10.0 %) from 3.500 kg, weighed 3 days before: 10 % or more of birth weight lost. This threshold is written for breastfed newborns. ${TELL}`,
      },
    ],
  },
};
