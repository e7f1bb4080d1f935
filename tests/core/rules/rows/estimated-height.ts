/** Example rows of the rule that says why no height was estimated. */
import { exactNumber, type JsonValue } from '../../../../src/core/json.ts';
import type { ExactObservation } from '../../../../src/core/observation.ts';
import type { Context } from '../../../../src/core/reading.ts';
import { OURS, SYSTEM } from '../../../../src/core/terminology.ts';
import { ADA, height, policyWith, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

function limb(code: string, value: string, unit = 'cm', changes: Readonly<Record<string, JsonValue>> = {}): ExactObservation {
  return height('1', 'cm', {
    valueQuantity: undefined,
    dataAbsentReason: { coding: [{ system: SYSTEM.dataAbsentReason, code: 'not-performed' }] },
    component: [
      {
        code: { coding: [{ system: OURS.derivedSystem, code }] },
        valueQuantity: { value: exactNumber(value), unit, system: SYSTEM.ucum, code: unit },
      },
    ],
    ...changes,
  });
}
const person = (changes: object): Partial<Context> => ({ person: { ...ADA, ...changes } });

export const ESTIMATED_HEIGHT_ROWS: Readonly<Record<string, RuleRows>> = {
  'height-not-estimated': {
    as: { outcome: 'warn', code: 'business-rule', expression: 'Observation.component' },
    accepts: [
      { title: 'a length, sex and age from which a height follows', observation: limb('ulna-length', '25.5') },
      { title: 'the shortest ulna of the table', observation: limb('ulna-length', '18.5') },
      { title: 'a measured height', observation: height() },
      { title: 'a weight', observation: weight() },
      {
        title: 'no estimates by the policy',
        observation: limb('knee-height', '48.0'),
        context: { policy: policyWith({ 'derive.estimatedHeight': false }) },
      },
    ],
    rejects: [
      {
        title: 'the sex is not known',
        observation: limb('ulna-length', '25.5'),
        context: person({ sex: 'unknown' }),
        message:
          'No height was estimated from the ulna length of 25.5 cm: the equations differ by sex, and none is recorded as male or female. Send the Patient with the gender if it is known (PUT Patient); the height follows by itself.',
      },
      {
        title: 'the age is not known',
        observation: limb('demispan', '76.0'),
        context: { person: { key: 'Patient/ada', known: true, sex: 'female' } },
        message:
          'No height was estimated from the demispan of 76.0 cm: the equations differ by age, and the birth date is missing or too coarse. Send the Patient with a full birth date (PUT Patient); the height follows by itself.',
      },
      {
        title: 'younger than the persons of the paper',
        observation: limb('knee-height', '48.0'),
        message:
          'No height was estimated from the knee height of 48.0 cm: no published equation is for this age. Measure the height, or another part of the body.',
      },
      {
        title: 'shorter than the table',
        observation: limb('ulna-length', '18.4'),
        message:
          'No height was estimated from the ulna length of 18.4 cm: the length is outside what is taken for one. Check which length was measured, and measure again.',
      },
      {
        title: 'no unit of length',
        observation: limb('ulna-length', '25.5', 'kg'),
        message:
          'No height was estimated from the ulna length: it is no amount in cm or [in_i]. Send it as a Quantity in one of these units.',
      },
    ],
  },
};
