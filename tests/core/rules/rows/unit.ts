/** Example rows of the rules about units. */
import { height, measured, observation, policyWith, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const UCUM = 'http://unitsofmeasure.org';
const inUnit = (value: string, changes: Record<string, string>) =>
  weight(value, 'kg', { valueQuantity: { ...measured(value, 'kg'), ...changes } });
const METRIC = { policy: policyWith({ metricOnly: true }) };
const wrongCode = (accepted: string, proposal: string): string =>
  `The unit code is not one of ${accepted}${proposal}. UCUM codes are case-sensitive; set the device to one of these units, do not convert.`;

export const UNIT_ROWS: Readonly<Record<string, RuleRows>> = {
  'unit-system': {
    as: { outcome: 'refuse', code: 'code-invalid', expression: 'Observation.value.ofType(Quantity).system' },
    accepts: [{ title: 'UCUM, letter for letter', observation: weight() }],
    rejects: [`${UCUM}/`, 'https://unitsofmeasure.org', 'urn:oid:2.16.840.1.113883.6.8'].map((system) => ({
      title: system,
      observation: inUnit('70.0', { system }),
      message: `The system of the unit is not ${UCUM}, letter for letter. Send that system with a UCUM code.`,
    })),
  },
  'unit-code': {
    as: { outcome: 'refuse', code: 'code-invalid', expression: 'Observation.value.ofType(Quantity).code' },
    accepts: [
      { title: 'a value in kilograms', observation: weight() },
      { title: 'a value in grams', observation: weight('70000', 'g') },
      { title: 'a value in pounds', observation: weight('154.25', '[lb_av]') },
      { title: 'a value in centimetres', observation: height() },
      { title: 'a value in inches', observation: height('66.125', '[in_i]') },
    ],
    rejects: [
      ['KG', '; kg was probably meant'],
      ['kilograms', '; kg was probably meant'],
      ['lb', '; [lb_av] was probably meant'],
      ['lbs', '; [lb_av] was probably meant'],
      ['G', '; g was probably meant'],
      ['inch', ''],
      ['parsec', ''],
      ['k'.repeat(33), ''],
    ].map(([code = '', proposal = '']) => ({
      title: code,
      observation: inUnit('70.0', { code }),
      message: wrongCode('kg, g, [lb_av]', proposal),
    })),
  },
  'unit-dimension': {
    as: { outcome: 'refuse', code: 'code-invalid', expression: 'Observation.value.ofType(Quantity).code' },
    accepts: [{ title: 'a weight in a unit of mass', observation: weight('154.25', '[lb_av]') }],
    rejects: [
      {
        title: 'a weight in centimetres',
        observation: weight('170.0', 'cm'),
        message:
          'A body weight cannot be in cm. Check whether weight and height were exchanged, and send the reading under its right code.',
      },
      {
        title: 'a height in pounds',
        observation: height('154.25', '[lb_av]'),
        message:
          'A body height cannot be in [lb_av]. Check whether weight and height were exchanged, and send the reading under its right code.',
      },
    ],
  },
  'metric-only': {
    as: { outcome: 'refuse', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).code' },
    accepts: [
      { title: 'pounds by default', observation: weight('154.25', '[lb_av]') },
      { title: 'kilograms where only metric units are allowed', observation: weight(), context: METRIC },
      {
        title: 'the withdrawal of a reading in pounds',
        observation: weight('154.25', '[lb_av]', { status: 'entered-in-error' }),
        context: { ...METRIC, version: 2, replaces: { status: 'final', held: false, version: 1, person: 'Patient/ada', of: 'weight' } },
      },
    ],
    rejects: [
      { observation: weight('154.25', '[lb_av]'), unit: '[lb_av]' },
      { observation: height('66.125', '[in_i]'), unit: '[in_i]' },
    ].map(({ observation: of, unit }) => ({
      title: unit,
      observation: of,
      context: METRIC,
      message: `This site accepts kilograms, grams and centimetres only, and the reading is in ${unit}. Set the device to metric and measure again; do not convert.`,
    })),
  },
  'unit-text-contradicts': {
    as: { outcome: 'hold', code: 'business-rule', expression: 'Observation.value.ofType(Quantity).unit' },
    accepts: ['kg', 'Kilogram', 'kilos', 'morning', 'x'.repeat(40)].map((unit) => ({ title: unit, observation: inUnit('70.0', { unit }) })),
    rejects: [
      ['lb', '[lb_av]'],
      ['Pounds', '[lb_av]'],
      ['g', 'g'],
      ['cm', 'cm'],
    ].map(([unit = '', shown = '']) => ({
      title: unit,
      observation: inUnit('70.0', { unit }),
      message: `The unit code is kg, but the unit text reads like ${shown}. Weigh again, and correct the sender so that both say the same.`,
    })),
  },
  'value-comparator': {
    as: { outcome: 'refuse', code: 'value', expression: 'Observation.value.ofType(Quantity).comparator' },
    accepts: [{ title: 'a plain value', observation: observation('29463-7', '70.0', 'kg') }],
    rejects: ['>', '<', '>=', '<='].map((comparator) => ({
      title: comparator,
      observation: inUnit('200.0', { comparator }),
      message:
        'The value says "more than" or "less than", which is what a scale shows beyond its range, not a weight. Use a scale with enough capacity.',
    })),
  },
};
