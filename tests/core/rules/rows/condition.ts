/** Example rows of the rules about what a number stands on, and about its absence. */
import { OURS, QUALIFIER } from '../../../../src/core/terminology.ts';
import type { JsonObject } from '../../../../src/core/json.ts';
import { bmi, height, weight } from '../../../measurements.ts';
import type { RuleRows } from '../rule-tester.ts';

const ABSENT = 'http://terminology.hl7.org/CodeSystem/data-absent-reason';

/** A component that answers the question of conditions. */
const stands = (system: string, code: string): JsonObject => ({
  code: { coding: [{ ...QUALIFIER.condition }] },
  valueCodeableConcept: { coding: [{ system, code }] },
});

const without = (code: string | undefined, status = 'final', system = ABSENT) =>
  weight('70.0', 'kg', {
    status,
    valueQuantity: undefined,
    dataAbsentReason: code === undefined ? { text: 'slept' } : { coding: [{ system, code }] },
  });

const recorded = (reason: string): string =>
  `Recorded without a number: ${reason}. It is forwarded as it is; nothing follows from it, and later readings are compared with the last number. Measure when that is possible.`;

const UNKNOWN =
  'A condition of weighing has a code that CodeSystem weighing-condition does not have, so it is forwarded and changes nothing here. Send a code of the list at /fhir/ValueSet/weighing-conditions.';

export const CONDITION_ROWS: Readonly<Record<string, RuleRows>> = {
  'condition-unknown': {
    as: { outcome: 'warn', code: 'code-invalid', expression: 'Observation.component' },
    accepts: [
      { title: 'no condition', observation: weight() },
      {
        title: 'two that are known, in two components',
        observation: weight('70.0', 'kg', { component: [stands(OURS.conditionSystem, 'cast'), stands(OURS.conditionSystem, 'oedema')] }),
      },
      { title: "a sender's own system", observation: weight('70.0', 'kg', { component: [stands('https://harbourlight.example/c', 'x')] }) },
    ],
    rejects: [
      {
        title: 'a code that the list does not have',
        observation: weight('70.0', 'kg', { component: [stands(OURS.conditionSystem, 'plaster')] }),
        message: UNKNOWN,
      },
      {
        title: 'one known and one unknown',
        observation: height('170.0', 'cm', { component: [stands(OURS.conditionSystem, 'cast'), stands(OURS.conditionSystem, 'Cast')] }),
        message: UNKNOWN,
      },
      {
        title: 'in the extension that stands in the place of a component',
        observation: weight('70.0', 'kg', {
          extension: [
            {
              url: OURS.qualifierExtension,
              extension: [
                { url: 'qualifier', valueCoding: { ...QUALIFIER.condition } },
                { url: 'answer', valueCodeableConcept: { coding: [{ system: OURS.conditionSystem, code: 'constructor' }] } },
              ],
            },
          ],
        }),
        message: UNKNOWN,
      },
    ],
  },
  'not-weighed': {
    as: { outcome: 'inform', code: 'informational', expression: 'Observation.dataAbsentReason' },
    accepts: [
      { title: 'a weight', observation: weight() },
      {
        title: 'a BMI without a value, which is refused for what it is',
        observation: bmi('24.2', { valueQuantity: undefined, dataAbsentReason: { coding: [{ system: ABSENT, code: 'error' }] } }),
        also: { 'bmi-unit': 'a BMI has to have a value' },
      },
    ],
    rejects: [
      { title: 'the person declined', observation: without('asked-declined'), message: recorded('the person declined') },
      { title: 'cancelled, not done', observation: without('not-performed', 'cancelled'), message: recorded('it was not done') },
      { title: 'not allowed', observation: without('not-permitted'), message: recorded('it was not allowed') },
      { title: 'not known yet', observation: without('temp-unknown', 'preliminary'), message: recorded('it is not known yet') },
      { title: 'a text only', observation: without(undefined), message: recorded('the reason is the one that was sent') },
      {
        title: 'a code of another system',
        observation: without('asked-declined', 'final', 'https://harbourlight.example/why'),
        message: recorded('the reason is the one that was sent'),
      },
      {
        title: 'a height that could not be taken',
        observation: height('170.0', 'cm', {
          valueQuantity: undefined,
          dataAbsentReason: { coding: [{ system: ABSENT, code: 'error' }] },
        }),
        message: recorded('something went wrong'),
      },
    ],
  },
};
