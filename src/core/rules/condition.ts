/** What a number stands on, and why there is none. */
import { unknownConditions } from '../conditions.ts';
import { SYSTEM } from '../terminology.ts';
import type { Rule } from './rule.ts';

const conditionUnknown: Rule = {
  id: 'condition-unknown',
  title: 'A condition that is not understood',
  family: 'enrichment',
  outcome: 'warn',
  movable: true,
  code: 'code-invalid',
  expression: 'Observation.component',
  source: 'HL7 FHIR R4 (4.0.1), CodeSystem.content complete: a code that is not in it has no meaning',
  explain:
    'A condition of weighing has a code that CodeSystem weighing-condition does not have, so it is forwarded and changes nothing here. Send a code of the list at /fhir/ValueSet/weighing-conditions.',
  check: ({ observation }) => (unknownConditions(observation).length > 0 ? {} : undefined),
};

/** Codes of the R4 CodeSystem data-absent-reason, as a ward would say them. */
const ABSENT_WORDS: Readonly<Record<string, string>> = {
  unknown: 'it is not known why',
  'asked-unknown': 'the person was asked and did not know',
  'temp-unknown': 'it is not known yet',
  'not-asked': 'nobody asked',
  'asked-declined': 'the person declined',
  masked: 'the number is kept back',
  'not-applicable': 'it does not apply to this person',
  unsupported: 'the sender cannot say it',
  'as-text': 'it stands in the narrative only',
  error: 'something went wrong',
  'not-a-number': 'the device gave no number',
  'negative-infinity': 'the device was below its range',
  'positive-infinity': 'the device was above its range',
  'not-performed': 'it was not done',
  'not-permitted': 'it was not allowed',
};

const notWeighed: Rule = {
  id: 'not-weighed',
  title: 'Recorded that there is no number',
  family: 'profile',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: 'Observation.dataAbsentReason',
  source: 'HL7 FHIR R4 (4.0.1), CodeSystem data-absent-reason; StructureDefinition vitalsigns, vs-2',
  explain:
    'Recorded without a number: {reason}. It is forwarded as it is; nothing follows from it, and later readings are compared with the last number. Measure when that is possible.',
  check: ({ observation, measure, reading }) => {
    const { dataAbsentReason, valueQuantity, status } = observation;
    if (
      measure === undefined ||
      measure.of === 'bmi' ||
      valueQuantity !== undefined ||
      dataAbsentReason === undefined ||
      reading?.limb !== undefined || // a height is estimated from what was measured instead
      status === 'entered-in-error'
    )
      return undefined;
    const known = dataAbsentReason.coding?.find(
      ({ system, code }) => system === SYSTEM.dataAbsentReason && code !== undefined && Object.hasOwn(ABSENT_WORDS, code),
    )?.code;
    return { facts: { reason: (known !== undefined && ABSENT_WORDS[known]) || 'the reason is the one that was sent' } };
  },
};

export const CONDITION_RULES: readonly Rule[] = [conditionUnknown, notWeighed];
