/** Our ValueSets, from the tables of the code. */
import type * as fhir4 from 'fhir/r4.js';
import { UNITS, unitsOf } from '../../src/core/quantity.ts';
import { METHODS } from '../../src/core/methods.ts';
import { CLOTHING_ANSWERS, LOINC_CODES, OURS, POSITION_ANSWERS, SYSTEM, type Measured } from '../../src/core/terminology.ts';
import { header, withNotices } from './published.ts';

export const VALUE_SET = {
  weighingMethods: 'weighing-methods',
  heightMethods: 'height-methods',
  deviceKinds: 'measuring-device-kinds',
  clothingAnswers: 'clothing-answers',
  positionAnswers: 'position-answers',
  conditions: 'weighing-conditions',
  weightCodes: 'body-weight-codes',
  heightCodes: 'body-height-codes',
  weightUnits: 'body-weight-units',
  heightUnits: 'body-height-units',
  rules: 'measurement-rules',
} as const;

interface Content {
  readonly system: string;
  /** Every code of the system when absent. */
  readonly concept?: readonly { readonly code: string; readonly display: string }[];
}

export function valueSets(): fhir4.ValueSet[] {
  return [
    valueSet(VALUE_SET.weighingMethods, 'Weighing methods', 'Ways of weighing a person.', methodsOf('weight')),
    valueSet(VALUE_SET.heightMethods, 'Height methods', 'Ways of measuring height or length.', methodsOf('height')),
    valueSet(
      VALUE_SET.deviceKinds,
      'Measuring device kinds',
      'Kinds of scales and height meters, and of what is weighed together with a person.',
      { system: OURS.deviceKindSystem },
    ),
    valueSet(
      VALUE_SET.clothingAnswers,
      'Clothing answers',
      'What was worn during the measure: the answers of LOINC list LL742-8 to 8352-7.',
      {
        system: SYSTEM.loinc,
        concept: Object.values(CLOTHING_ANSWERS),
      },
    ),
    valueSet(VALUE_SET.positionAnswers, 'Position answers', 'Position of the body during the measure: LOINC answers to 8361-8.', {
      system: SYSTEM.loinc,
      concept: Object.values(POSITION_ANSWERS),
    }),
    valueSet(VALUE_SET.conditions, 'Weighing conditions', 'What the number on a scale stands on besides the person.', {
      system: OURS.conditionSystem,
    }),
    valueSet(VALUE_SET.weightCodes, 'Body weight codes', 'LOINC codes that are understood as a body weight.', codesOf('weight')),
    valueSet(VALUE_SET.heightCodes, 'Body height codes', 'LOINC codes that are understood as a body height or length.', codesOf('height')),
    valueSet(
      VALUE_SET.weightUnits,
      'Body weight units',
      'UCUM units that a body weight may have, as in R4 ucum-bodyweight.',
      unitsIn('weight'),
    ),
    valueSet(
      VALUE_SET.heightUnits,
      'Body height units',
      'UCUM units that a body height may have, as in R4 ucum-bodylength.',
      unitsIn('height'),
    ),
    valueSet(VALUE_SET.rules, 'Measurement rules', 'All rules and errors that an OperationOutcome may name.', { system: OURS.ruleSystem }),
  ];
}

function valueSet(id: string, title: string, description: string, { system, concept }: Content): fhir4.ValueSet {
  const listed = concept?.map(({ code, display }) => ({ code, display }));
  return withNotices({
    ...header('ValueSet', { id, title, description }),
    compose: { include: [{ system, ...(listed && { concept: listed }) }] },
  });
}

function methodsOf(measured: Measured): Content {
  const concept = Object.entries(METHODS).flatMap(([code, { of, display }]) => (of === measured ? [{ code, display }] : []));
  return { system: OURS.methodSystem, concept };
}

function codesOf(measured: Measured): Content {
  return { system: SYSTEM.loinc, concept: LOINC_CODES.filter(({ of }) => of === measured) };
}

function unitsIn(measured: Measured): Content {
  return { system: SYSTEM.ucum, concept: unitsOf(measured).map((code) => ({ code, display: UNITS[code].name })) };
}
