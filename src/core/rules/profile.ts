/**
 * What the R4 vital-signs profiles require beyond structure, and what this service serves.
 */
import { LOINC_CODES, PARENT_CODE, SYSTEM, VITAL_SIGNS_CATEGORY } from '../terminology.ts';
import { hasCoding, methodBasis, sentMethod } from '../observation.ts';
import { EFFECTIVE, VALUE, type Rule } from './rule.ts';

const VITAL_SIGNS = 'HL7 FHIR R4 (4.0.1), StructureDefinition vitalsigns';

const categoryMissing: Rule = {
  id: 'category-missing',
  title: 'Not categorised as a vital sign',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'required',
  expression: 'Observation.category',
  source: `${VITAL_SIGNS}, category slice VSCat (1..1)`,
  explain: `No category says vital-signs. Add a category coding with system ${VITAL_SIGNS_CATEGORY.system} and code vital-signs.`,
  check: ({ observation }) => (observation.category?.some((category) => hasCoding(category, VITAL_SIGNS_CATEGORY)) ? undefined : {}),
};

const repeatedCoding: Rule = {
  id: 'coding-repeated',
  title: 'A coding twice that must be there once',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'structure',
  expression: 'Observation.category',
  source: `${VITAL_SIGNS}, category slice VSCat (1..1); bodyweight and bodyheight, code (1..1)`,
  explain: 'The vital-signs category or the code that the profile requires is there more than once. Send each of them once.',
  check: ({ observation, measure }) => {
    const categories = observation.category?.filter((category) => hasCoding(category, VITAL_SIGNS_CATEGORY)) ?? [];
    const parent = measure && PARENT_CODE[measure.of].code;
    const codes = observation.code.coding?.filter(({ system, code }) => system === SYSTEM.loinc && code === parent) ?? [];
    return [...(categories.length > 1 ? [{}] : []), ...(codes.length > 1 ? [{ expression: 'Observation.code.coding' }] : [])];
  },
};

const codeNotServed: Rule = {
  id: 'code-not-served',
  title: 'Neither a body weight nor a body height',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'code-invalid',
  expression: 'Observation.code',
  source: 'HL7 FHIR R4 (4.0.1), StructureDefinition bodyweight, bodyheight, bmi: fixed LOINC codes',
  explain:
    'No coding is one that this service knows as a body weight, body height or BMI. Send LOINC 29463-7, 8302-2 or a more specific one of /fhir/ValueSet/body-weight-codes or /fhir/ValueSet/body-height-codes.',
  check: ({ measure }) => (measure ? undefined : {}),
};

const codesConflict: Rule = {
  id: 'codes-conflict',
  title: 'Codes that contradict each other',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'code-invalid',
  expression: 'Observation.code',
  source: `${VITAL_SIGNS}, code: exactly one measure`,
  explain:
    'The codings contradict each other: two measures, measured and stated, lying and standing, or with and without clothes. Send one Observation for each.',
  check: ({ measure }) => (measure?.conflicting ? {} : undefined),
};

const displayContradicts: Rule = {
  id: 'display-contradicts-code',
  title: 'The display names another measure than the code',
  family: 'profile',
  outcome: 'hold',
  movable: true,
  code: 'code-invalid',
  expression: 'Observation.code.coding',
  source: 'common practice, no source',
  explain: 'A code for {meant} is displayed as {shown}, so one of the two is wrong. Weigh or measure again, or send the right code.',
  check: ({ observation, measure }) => {
    if (measure === undefined || measure.conflicting) return undefined;
    const shown = observation.code.coding?.flatMap(({ system, display }) => {
      if (system !== SYSTEM.loinc || display === undefined) return [];
      return LOINC_CODES.find((row) => row.display.toLowerCase() === display.trim().toLowerCase() && row.of !== measure.of) ?? [];
    })[0];
    return shown && { facts: { meant: measure.of, shown: shown.display } };
  },
};

const statusNotUsable: Rule = {
  id: 'status-not-usable',
  title: 'A status that is no reading',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: 'Observation.status',
  source: 'HL7 FHIR R4 (4.0.1), ValueSet observation-status: definitions of registered and unknown',
  explain: 'The status {status} says that there is no result yet, or that nobody knows. Send the reading when it is preliminary or final.',
  check: ({ observation: { status } }) => (status === 'registered' || status === 'unknown' ? { facts: { status } } : undefined),
};

const effectiveMissing: Rule = {
  id: 'effective-missing',
  title: 'No time of measuring',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'required',
  expression: EFFECTIVE,
  source: `${VITAL_SIGNS}, effective[x] (1..1)`,
  explain: 'It does not say when the person was measured. Send effectiveDateTime with date, time and offset.',
  check: ({ observation }) =>
    observation.effectiveDateTime === undefined &&
    observation.effectivePeriod === undefined &&
    observation.effectiveTiming === undefined &&
    observation.effectiveInstant === undefined
      ? {}
      : undefined,
};

const effectiveType: Rule = {
  id: 'effective-type',
  title: 'Time of measuring in a form that the profile excludes',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'structure',
  expression: EFFECTIVE,
  source: `${VITAL_SIGNS}, effective[x]: dateTime or Period`,
  explain:
    'The time is a Timing, an instant, or a Period whose start does not name a day. Send effectiveDateTime, or a Period with both ends.',
  check: ({ observation, effective }) => {
    const { effectiveTiming, effectiveInstant, effectivePeriod } = observation;
    const excluded = effectiveTiming !== undefined || effectiveInstant !== undefined;
    return excluded || (effectivePeriod !== undefined && effective === undefined) ? {} : undefined;
  },
};

const valueType: Rule = {
  id: 'value-not-quantity',
  title: 'The value is not a Quantity',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'value',
  expression: 'Observation.value',
  source: 'HL7 FHIR R4 (4.0.1), StructureDefinition bodyweight, bodyheight, bmi: value[x] is a Quantity',
  explain: 'The value is given in another form than a Quantity. Send valueQuantity with value, unit, system and code.',
  check: ({ observation }) => (Object.keys(observation).some((key) => key.startsWith('value') && key !== 'valueQuantity') ? {} : undefined),
};

const quantityIncomplete: Rule = {
  id: 'quantity-incomplete',
  title: 'The Quantity lacks a required part',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'required',
  expression: VALUE,
  source: 'HL7 FHIR R4 (4.0.1), StructureDefinition bodyweight, bodyheight: valueQuantity.value, unit, system, code (1..1)',
  explain: 'The Quantity has no {missing}. Send value, unit, system and code together.',
  check: ({ observation: { valueQuantity } }) => {
    if (valueQuantity === undefined) return undefined;
    const missing = (['value', 'unit', 'system', 'code'] as const).filter((part) => valueQuantity[part] === undefined);
    return missing.length > 0 ? { facts: { missing: missing.join(', ') } } : undefined;
  },
};

export const modifierExtension: Rule = {
  id: 'modifier-extension',
  title: 'A modifier extension that is not understood',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'extension',
  expression: 'Observation.modifierExtension',
  source: 'HL7 FHIR R4 (4.0.1), Extensibility, modifier extensions: an unknown one must not be processed',
  explain: 'A modifier extension could turn the meaning of the reading around, and this service knows none. Send the reading without it.',
  check: ({ observation }) => {
    if (observation.modifierExtension !== undefined) return {};
    return (['component', 'referenceRange'] as const).flatMap((element) => {
      const index = observation[element]?.findIndex(({ modifierExtension: list }) => list !== undefined) ?? -1;
      return index < 0 ? [] : [{ expression: `Observation.${element}[${index}].modifierExtension` }];
    });
  },
};

export const implicitRules: Rule = {
  id: 'implicit-rules',
  title: 'Implicit rules that are not known',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'not-supported',
  expression: 'Observation.implicitRules',
  source: 'HL7 FHIR R4 (4.0.1), Resource, implicitRules: a modifier element',
  explain: 'The resource says that it follows rules of its own, and this service knows none. Send the reading without implicitRules.',
  check: ({ observation }) => (observation.implicitRules === undefined ? undefined : {}),
};

const testData: Rule = {
  id: 'test-data',
  title: 'Marked as test data',
  family: 'profile',
  outcome: 'refuse',
  movable: true,
  code: 'business-rule',
  expression: 'Observation.meta.security',
  source: 'HL7 Terminology, v3-ActReason, HTEST; HL7 Personal Health Device guide, test data',
  explain: 'The label HTEST says that this is a test, and a test must not reach a chart. Use $validate or $assess for tests.',
  check: ({ observation }) =>
    observation.meta?.security?.some(({ system, code }) => system === SYSTEM.actReason && code === 'HTEST') ? {} : undefined,
};

const ACTIVE_MARKUP =
  /<\s*(script|iframe|object|embed|form|link|meta|base|style|svg|math|input|button)\b|\son[a-z]{1,20}\s*=|javascript:|data:text/i;

const narrativeActive: Rule = {
  id: 'narrative-active',
  title: 'The narrative holds active content',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'invariant',
  expression: 'Observation.text.`div`',
  source: 'HL7 FHIR R4 (4.0.1), Narrative, txt-1: basic formatting only',
  explain: 'The narrative holds more than basic formatting, such as a script or a form. Send plain text formatting, or no narrative.',
  check: ({ observation }) => (observation.text !== undefined && ACTIVE_MARKUP.test(observation.text.div) ? {} : undefined),
};

const methodNotUnderstood: Rule = {
  id: 'method-not-understood',
  title: 'A method that is not understood',
  family: 'enrichment',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: 'Observation.method',
  source: 'local policy: an unknown method is kept and forwarded, and not taken for one that is known',
  explain:
    'The method has no code that is known here, so it counts neither as an estimate nor as a way of weighing. Send a code of the list at /fhir/ValueSet/weighing-methods, or a LOINC code that says stated or estimated.',
  check: ({ observation }) =>
    observation.method !== undefined && methodBasis(observation) === undefined && sentMethod(observation) === undefined ? {} : undefined,
};

const cancelledWithValue: Rule = {
  id: 'cancelled-with-value',
  title: 'Cancelled, and yet a value',
  family: 'profile',
  outcome: 'refuse',
  movable: false,
  code: 'business-rule',
  expression: 'Observation.status',
  source: 'HL7 FHIR R4 (4.0.1), ValueSet observation-status, cancelled: the measurement was not completed',
  explain:
    'The status says that the measurement was not completed, but there is a value. Send the reason in dataAbsentReason instead of the value, or the right status.',
  check: ({ observation }) => (observation.status === 'cancelled' && observation.valueQuantity !== undefined ? {} : undefined),
};

export const parentCodeAdded: Rule = {
  id: 'parent-code-added',
  title: 'The vital-signs code was added',
  family: 'enrichment',
  outcome: 'inform',
  movable: true,
  code: 'informational',
  expression: 'Observation.code.coding',
  source: 'HL7 FHIR R4 (4.0.1), Vital Signs: a more specific code may be sent beside the required one',
  explain: 'The required code {code} was not sent and was added beside what was sent. Send it yourself for other receivers.',
  check: ({ measure }) =>
    measure && !measure.hasParent && !measure.conflicting ? { facts: { code: PARENT_CODE[measure.of].code } } : undefined,
};

export const PROFILE_RULES: readonly Rule[] = [
  categoryMissing,
  repeatedCoding,
  codeNotServed,
  codesConflict,
  displayContradicts,
  statusNotUsable,
  cancelledWithValue,
  effectiveMissing,
  effectiveType,
  valueType,
  quantityIncomplete,
  modifierExtension,
  implicitRules,
  testData,
  narrativeActive,
  methodNotUnderstood,
  parentCodeAdded,
];
