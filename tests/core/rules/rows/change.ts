/** Example rows of the rules that compare a reading with the last accepted one. */
import type { Context, PersonFacts } from '../../../../src/core/reading.ts';
import { ADA, height, policyWith, reading, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const VALUE = 'Observation.value.ofType(Quantity).value';
const AGAIN = 'Check person, chair and clothing, and weigh again to confirm it.';
const at = (effectiveDateTime: string): { readonly effectiveDateTime: string } => ({ effectiveDateTime });
const weighed = (value: string, when: string, person: PersonFacts = ADA): Partial<Context> => ({
  person,
  history: [reading(weight(value, 'kg', at(when)), 'w0')],
});
const tall = (value: string, when: string, person: PersonFacts = ADA, position?: 'lying' | 'standing'): Partial<Context> => ({
  person,
  history: [reading(height(value, 'cm', at(when)), 'h0', position && { position })],
});
const born = (birthDate: string): PersonFacts => ({ ...ADA, birthDate });
const YESTERDAY = '2026-03-01T08:00:00Z';
const lying = { code: { coding: [{ system: 'http://loinc.org', code: '8306-3' }] } };

export const CHANGE_ROWS: Readonly<Record<string, RuleRows>> = {
  'weight-change-rate': {
    as: { outcome: 'hold', code: 'business-rule', expression: VALUE },
    accepts: [
      { title: 'no earlier weight', observation: weight('77.0') },
      { title: 'exactly ten percent more in a day', observation: weight('77.0'), context: weighed('70.0', YESTERDAY) },
      { title: 'exactly ten percent less in a day', observation: weight('63.0'), context: weighed('70.0', YESTERDAY) },
      { title: 'twelve percent in 31 days', observation: weight('78.4'), context: weighed('70.0', '2026-01-30T08:00:00Z') },
      { title: 'more than a fifth in 366 days', observation: weight('84.1'), context: weighed('70.0', '2025-03-01T08:00:00Z') },
      { title: 'a third in two years', observation: weight('93.0'), context: weighed('70.0', '2024-02-01T08:00:00Z') },
      {
        title: 'a five-year-old who grew for a year',
        observation: weight('26.0'),
        context: weighed('18.0', '2025-03-20T08:00:00Z', born('2020-09-01')),
      },
      {
        title: 'a stated weight, which nobody measured',
        observation: weight('90.0', 'kg', {
          code: {
            coding: [
              { system: 'http://loinc.org', code: '3142-7' },
              { system: 'http://loinc.org', code: '29463-7' },
            ],
          },
        }),
        context: weighed('70.0', YESTERDAY),
      },
      {
        title: 'the policy allows more',
        observation: weight('80.0'),
        context: {
          ...weighed('70.0', YESTERDAY),
          policy: {
            ...policyWith({}),
            changeLimits: {
              ...policyWith({}).changeLimits,
              adult: { ...policyWith({}).changeLimits.adult, within30Days: { gainPercent: '15', lossPercent: '15' } },
            },
          },
        },
      },
    ],
    rejects: [
      {
        title: 'a little more than ten percent up in a day',
        observation: weight('77.1'),
        context: weighed('70.0', YESTERDAY),
        message: `77.1 kg is +7.1 kg (+10.1 %, +7.10 kg a day) from 70.0 kg, accepted 24 hours before, beyond the limit of 10 % within 30 days. ${AGAIN}`,
      },
      {
        title: 'down within the hour, which has no rate',
        observation: weight('60.0'),
        context: weighed('70.0', '2026-03-02T07:10:00Z'),
        message: `60.0 kg is -10.0 kg (-14.3 %) from 70.0 kg, accepted 50 minutes before, beyond the limit of 10 % within 30 days. ${AGAIN}`,
      },
      {
        title: 'a little more than ten percent in exactly thirty days',
        observation: weight('77.1'),
        context: weighed('70.0', '2026-01-31T08:00:00Z'),
        message: `77.1 kg is +7.1 kg (+10.1 %, +0.24 kg a day) from 70.0 kg, accepted 30 days before, beyond the limit of 10 % within 30 days. ${AGAIN}`,
      },
      {
        title: 'more than a fifth in exactly 365 days',
        observation: weight('84.1'),
        context: weighed('70.0', '2025-03-02T08:00:00Z'),
        message: `84.1 kg is +14.1 kg (+20.1 %, +0.04 kg a day) from 70.0 kg, accepted 365 days before, beyond the limit of 20 % within 365 days. ${AGAIN}`,
      },
      {
        title: 'more than a fifth in half a year',
        observation: weight('84.1'),
        context: weighed('70.0', '2025-09-02T08:00:00Z'),
        message: `84.1 kg is +14.1 kg (+20.1 %, +0.08 kg a day) from 70.0 kg, accepted 181 days before, beyond the limit of 20 % within 365 days. ${AGAIN}`,
      },
      {
        title: 'more than a hundred pounds in a year, at less than a fifth',
        observation: weight('195.0'),
        context: weighed('240.5', '2025-06-02T08:00:00Z'),
        message: `195.0 kg is -45.5 kg (-18.9 %, -0.17 kg a day) from 240.5 kg, accepted 273 days before, beyond the limit of 45.4 kg within 365 days. ${AGAIN}`,
      },
      {
        title: 'a young infant who gained two thirds in a month',
        observation: weight('6.70'),
        context: weighed('4.00', '2026-02-01T08:00:00Z', born('2025-12-20')),
        message: `6.70 kg is +2.70 kg (+67.5 %, +0.09 kg a day) from 4.00 kg, accepted 29 days before, beyond the limit of 61 % within 30 days. ${AGAIN}`,
      },
    ],
  },
  'newborn-loss-check': {
    as: { outcome: 'hold', code: 'business-rule', expression: VALUE },
    accepts: [
      { title: 'exactly fifteen percent below birth weight', observation: weight('2.975'), context: newborn('3.500') },
      { title: 'no birth weight is known', observation: weight('2.900'), context: { person: born('2026-02-27') } },
      { title: 'above birth weight', observation: weight('3.600'), context: newborn('3.500') },
      { title: 'three weeks old', observation: weight('2.900'), context: { ...newborn('3.500'), person: born('2026-02-08') } },
    ],
    rejects: [
      {
        title: 'more than fifteen percent below birth weight',
        observation: weight('2.970'),
        context: newborn('3.500'),
        message:
          '2.970 kg is 15.1 % below the birth weight of 3.500 kg, more than 15 %. Weigh again at once, and tell whoever looks after the child without waiting for this service.',
      },
    ],
  },
  'height-change': {
    as: { outcome: 'hold', code: 'business-rule', expression: VALUE },
    accepts: [
      { title: 'an adult who lost exactly 3.5 cm', observation: height('166.5'), context: tall('170.0', YESTERDAY) },
      { title: 'a child who grew', observation: height('120.0'), context: tall('112.0', '2025-03-01T08:00:00Z', born('2019-05-01')) },
      { title: 'a child 1.4 cm below', observation: height('110.6'), context: tall('112.0', '2026-02-01T08:00:00Z', born('2019-05-01')) },
      {
        title: 'a toddler who stands for the first time, 4 cm below the length lying',
        observation: height('86.0', 'cm', { code: { coding: [{ system: 'http://loinc.org', code: '8308-9' }] } }),
        context: tall('90.0', '2026-02-01T08:00:00Z', born('2023-12-01'), 'lying'),
      },
    ],
    rejects: [
      {
        title: 'an adult who grew 3.6 cm',
        observation: height('173.6'),
        context: tall('170.0', YESTERDAY),
        message:
          '173.6 cm is +3.6 cm from 170.0 cm, measured 24 hours before, beyond the limit of 3.5 cm. Check person and position, shoes off, and measure again.',
      },
      {
        title: 'an adult who shrank, in inches',
        observation: height('65.0', '[in_i]'),
        context: tall('170.0', YESTERDAY),
        message:
          '65.0 [in_i] is -4.900 cm from 170.0 cm, measured 24 hours before, beyond the limit of 3.5 cm. Check person and position, shoes off, and measure again.',
      },
      {
        title: 'a child who shrank by 1.5 cm',
        observation: height('110.5'),
        context: tall('112.0', '2026-02-01T08:00:00Z', born('2019-05-01')),
        message:
          '110.5 cm is -1.5 cm from 112.0 cm, measured 29 days before, beyond the limit of 1.4 cm. Check person and position, shoes off, and measure again.',
      },
      {
        title: 'a length lying 1.5 cm below the height standing',
        observation: height('88.5', 'cm', lying),
        context: tall('90.0', '2026-02-01T08:00:00Z', born('2023-05-01'), 'standing'),
        message:
          '88.5 cm is -1.5 cm from 90.0 cm, measured 29 days before, beyond the limit of 1.4 cm. Check person and position, shoes off, and measure again.',
      },
    ],
  },
  'height-loss-noted': {
    as: { outcome: 'warn', code: 'informational', expression: VALUE },
    accepts: [
      { title: 'exactly two centimetres in a year', observation: height('168.0'), context: tall('170.0', '2025-03-02T08:00:00Z') },
      { title: 'more, but five years ago', observation: height('167.0'), context: tall('170.0', '2021-02-02T08:00:00Z') },
      {
        title: 'lying after standing',
        observation: height('167.5', 'cm', lying),
        context: tall('170.0', '2025-03-02T08:00:00Z', ADA, 'standing'),
      },
    ],
    rejects: [
      {
        title: 'more than two centimetres in a year',
        observation: height('167.9'),
        context: tall('170.0', '2025-03-02T08:00:00Z'),
        message:
          '167.9 cm is 2.1 cm less than 170.0 cm, measured 365 days before. Measure again, shoes off and upright; tell the clinical team. This is a measurement and no diagnosis.',
      },
    ],
  },
  'weight-comparable': {
    as: { outcome: 'inform', code: 'informational', expression: VALUE },
    accepts: [
      { title: 'the first weight', observation: weight() },
      { title: 'another time of day', observation: weight('70.4'), context: weighed('70.0', '2026-03-01T12:00:00Z') },
      {
        title: 'a reading that waits',
        observation: weight('90.0'),
        context: weighed('70.0', YESTERDAY),
        also: { 'weight-change-rate': 'it says why' },
      },
    ],
    rejects: [
      {
        title: 'the same time of day, the day after',
        observation: weight('70.4'),
        context: weighed('70.0', YESTERDAY),
        message: 'Comparable with 70.0 kg, accepted 24 hours before: +0.4 kg (+0.6 %, +0.40 kg a day). No action is needed.',
      },
    ],
  },
  'weight-not-comparable': {
    as: { outcome: 'inform', code: 'informational', expression: VALUE },
    accepts: [
      { title: 'exactly three hours later in the day', observation: weight('70.4'), context: weighed('70.0', '2026-03-01T05:00:00Z') },
    ],
    rejects: [
      {
        title: 'later in the day, in other clothes, on a scale that only one names',
        observation: weight('70.4', 'kg', {
          device: { reference: 'Device/s1' },
          code: {
            coding: [
              { system: 'http://loinc.org', code: '8351-9' },
              { system: 'http://loinc.org', code: '29463-7' },
            ],
          },
        }),
        context: {
          device: { key: 'Device/s1', known: true },
          history: [reading(weight('70.0', 'kg', at('2026-03-01T04:59:00Z')), 'w0', { clothing: 'street-shoes' })],
        },
        message:
          'Not comparable with 70.0 kg, accepted 27 hours before (the scale of only one is known, other clothing, another time of day), so its change of +0.4 kg is not called significant. For a change that can be relied on, weigh on the same scale, at the same time of day, in the same clothing.',
      },
    ],
  },
};

function newborn(birthWeight: string): Partial<Context> {
  const birth = { code: { coding: [{ system: 'http://loinc.org', code: '8339-4' }] } };
  return { person: born('2026-02-27'), history: [reading(weight(birthWeight, 'kg', { ...birth, ...at('2026-02-27T05:00:00Z') }), 'b0')] };
}
