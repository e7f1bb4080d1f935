/** Example rows of the plausibility rules; every limit of every band is in plausibility-edges.test.ts. */
import { ADA, height, policyWith, reading, weight } from '../../../measurements.ts';
import { DEFAULT_POLICY } from '../../../../src/core/policy.ts';
import type { Context } from '../../../../src/core/reading.ts';
import { SUSPICION_RULE } from '../../../../src/core/serial/suspicion.ts';
import type { RuleRows } from '../rule-tester.ts';

const OUTSIDE = 'Check the decimal point, the unit and the field, then measure again.';
const UNUSUAL = 'Check person, unit and tare, and measure again to confirm it.';
const CHECK_POUNDS = 'Check for pounds charted as kilograms and the reverse, and weigh again to confirm it.';
const withdrawn = { version: 2, replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' } } as const;
const tall = (value: string, unit = 'cm'): Partial<Context> => ({
  history: [reading(height(value, unit, { effectiveDateTime: '2026-03-01T08:00:00Z' }), 'h1')],
});
const before = (value: string): Partial<Context> => ({
  history: [...(tall('170.0').history ?? []), reading(weight(value, 'kg', { effectiveDateTime: '2026-01-10T08:00:00Z' }), 'w0')],
});
/** A policy under which nothing but the BMI itself is said. */
const unnamed = { ...DEFAULT_POLICY, outcomes: Object.fromEntries(Object.values(SUSPICION_RULE).map((id) => [id, 'off' as const])) };
const ageUnknown = { person: { key: 'Patient/ada', known: true } } as const;
const bornIn = (birthDate: string): Partial<Context> => ({ person: { ...ADA, birthDate } });
const implausible = (value: string, bmi: string, low: string, high: string, prior: string, tallness = '170.0 cm'): string =>
  `${value} with a height of ${tallness} gives a BMI of ${bmi}, outside ${low} to ${high}${prior}. ${CHECK_POUNDS}`;

export const PLAUSIBILITY_ROWS: Readonly<Record<string, RuleRows>> = {
  'value-zero': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      {
        title: 'a little more than zero is another matter',
        observation: weight('0.1'),
        also: { 'value-impossible': 'nobody weighs 0.1 kg' },
      },
      { title: 'the withdrawal of a zero', observation: weight('0.0', 'kg', { status: 'entered-in-error' }), context: withdrawn },
    ],
    rejects: ['0', '0.0', '-0.0'].map((value) => ({
      title: value,
      observation: weight(value),
      message: 'The value is zero, which is what an empty scale shows. Send the reading after the person is on the scale.',
    })),
  },
  'value-negative': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [{ title: 'an ordinary weight', observation: weight() }],
    rejects: [weight('-70.0'), height('-0.1')].map((observation) => ({
      title: String(observation.valueQuantity?.value?.value),
      observation,
      message:
        'The value is below zero: the scale was zeroed with something on it, or the tare is larger than the load. Zero the scale and weigh again.',
    })),
  },
  'value-impossible': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      {
        title: 'the heaviest that is possible, which is held',
        observation: weight('650.0'),
        also: { 'value-unusual': 'it is between the bands' },
      },
      {
        title: 'the withdrawal of an impossible value',
        observation: weight('700.0', 'kg', { status: 'entered-in-error' }),
        context: withdrawn,
      },
    ],
    rejects: [
      {
        title: 'a decimal point that was lost',
        observation: weight('703.0'),
        also: { 'mixup-decimal-point': 'it says why' },
        message: `703.0 kg is outside 2 to 650 kg, the most that is possible (20 years and over). ${OUTSIDE}`,
      },
      {
        title: 'in grams, shown in kilograms',
        observation: weight('700000', 'g'),
        also: { 'mixup-decimal-point': 'it says why' },
        message: `700000 g (700 kg) is outside 2 to 650 kg, the most that is possible (20 years and over). ${OUTSIDE}`,
      },
      {
        title: 'in pounds, shown in kilograms',
        observation: weight('1500.0', '[lb_av]'),
        also: { 'mixup-decimal-point': 'it says why' },
        message: `1500.0 [lb_av] (680.4 kg) is outside 2 to 650 kg, the most that is possible (20 years and over). ${OUTSIDE}`,
      },
      {
        title: 'a height in metres',
        observation: height('1.7'),
        also: { 'mixup-decimal-point': 'it says why' },
        message: `1.7 cm is outside 50 to 275 cm, the most that is possible (20 years and over). ${OUTSIDE}`,
      },
      {
        title: "a newborn of a toddler's weight",
        observation: weight('12.005'),
        context: bornIn('2026-02-20'),
        message: `12.005 kg is outside 0.2 to 12 kg, the most that is possible (0 to 27 days). ${OUTSIDE}`,
      },
    ],
  },
  'value-unusual': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      { title: 'the heaviest that is usual', observation: weight('272.2') },
      {
        title: 'an impossible value, which is refused instead',
        observation: weight('703.0'),
        also: { 'value-impossible': 'it is outside the outer band', 'mixup-decimal-point': 'it says why' },
      },
    ],
    rejects: [
      {
        title: 'a very heavy adult',
        observation: weight('272.3'),
        message: `272.3 kg is outside 34.0 to 272.2 kg, the usual range (20 years and over). ${UNUSUAL}`,
      },
      {
        title: 'a short adult, in inches',
        observation: height('49.0', '[in_i]'),
        message: `49.0 [in_i] (124.5 cm) is outside 124.5 to 213.4 cm, the usual range (20 years and over). ${UNUSUAL}`,
      },
      {
        title: 'a light person of unknown age',
        observation: weight('1.9'),
        context: ageUnknown,
        message: `1.9 kg is outside 2 to 650 kg, the usual range (age not known). ${UNUSUAL}`,
      },
    ],
  },
  'bmi-impossible': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      {
        title: 'a BMI of exactly 200',
        observation: weight('200.0'),
        context: { ...tall('100.0'), ...ageUnknown, policy: unnamed },
        also: { 'bmi-unusual': 'it is possible but unusual' },
      },
      { title: 'no height, no BMI', observation: weight('200.0') },
      {
        title: 'an impossible weight, which is refused itself',
        observation: weight('660.0'),
        context: tall('170.0'),
        also: { 'value-impossible': 'one cause, one finding', 'mixup-decimal-point': 'it says why' },
      },
    ],
    rejects: [
      {
        title: 'a height that must be wrong',
        observation: weight('200.1'),
        context: { ...tall('100.0'), ...ageUnknown, policy: unnamed },
        message:
          '200.1 kg with a height of 100.0 cm gives a BMI of 200.1, outside 5 to 200, so one of the two is wrong. Measure both again.',
      },
      {
        title: 'a weight that must be wrong, shown by the height',
        observation: height('213.0'),
        context: { ...ageUnknown, history: [reading(weight('22.3', 'kg', { effectiveDateTime: '2026-03-02T07:30:00Z' }), 'w1')] },
        message: '22.3 kg with a height of 213.0 cm gives a BMI of 4.9, outside 5 to 200, so one of the two is wrong. Measure both again.',
      },
    ],
  },
  'bmi-unusual': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).value' },
    accepts: [
      { title: 'the highest BMI of a first weight', observation: weight('173.4'), context: tall('170.0') },
      { title: 'the lowest BMI of a first weight', observation: weight('40.5'), context: tall('170.0') },
      { title: 'a higher one that an earlier weight confirms', observation: weight('200.0'), context: before('190.0') },
      { title: 'an earlier weight that is exactly ten percent away', observation: weight('209.0'), context: before('190.0') },
      {
        title: 'a ten-year-old within the limits of the age',
        observation: weight('40.0'),
        context: { ...tall('140.0'), ...bornIn('2015-06-01') },
      },
      { title: 'unknown age, the highest of a first weight', observation: weight('173.4'), context: { ...tall('170.0'), ...ageUnknown } },
      {
        title: 'another policy',
        observation: weight('175.0'),
        context: { ...tall('170.0'), policy: policyWith({ 'bmi.hold.firstWeight.high': '61' }) },
      },
    ],
    rejects: [
      {
        title: 'pounds charted as kilograms',
        observation: weight('176.0'),
        context: { ...tall('170.0'), policy: unnamed },
        message: implausible('176.0 kg', '60.9', '14', '60', ', and no earlier weight agrees'),
      },
      {
        title: 'kilograms charted as pounds',
        observation: weight('80.0', '[lb_av]'),
        context: { ...tall('170.0'), policy: unnamed },
        message: implausible('80.0 [lb_av]', '12.6', '14', '60', ', and no earlier weight agrees'),
      },
      {
        title: 'an earlier weight that is a little more than ten percent away',
        observation: weight('209.1'),
        context: before('190.0'),
        message: implausible('209.1 kg', '72.4', '14', '60', ', and no earlier weight agrees'),
      },
      {
        title: 'beyond what an earlier weight can confirm',
        observation: weight('235.0'),
        context: before('230.0'),
        message: implausible('235.0 kg', '81.3', '12', '80', ', although an earlier weight agrees'),
      },
      {
        title: 'a later weight confirms nothing',
        observation: weight('176.0', 'kg', { effectiveDateTime: '2026-02-10T08:00:00Z' }),
        context: {
          policy: unnamed,
          history: [reading(height('170.0', 'cm', { effectiveDateTime: '2026-02-10T07:00:00Z' }), 'h1'), reading(weight('176.0'), 'w9')],
        },
        message: implausible('176.0 kg', '60.9', '14', '60', ', and no earlier weight agrees'),
      },
      {
        title: 'a ten-year-old beyond the limits of the age',
        observation: weight('140.0'),
        context: { ...tall('140.0'), ...bornIn('2015-06-01'), policy: unnamed },
        message: implausible('140.0 kg', '71.4', '10.3', '67.2', ', the usual range for the age', '140.0 cm'),
      },
      {
        title: 'unknown age, below',
        observation: weight('30.0'),
        context: { ...tall('170.0'), ...ageUnknown },
        message: implausible('30.0 kg', '10.4', '12', '60', ', and no earlier weight agrees'),
      },
    ],
  },
};
