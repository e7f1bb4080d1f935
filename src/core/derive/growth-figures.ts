/**
 * Percentiles and z-scores of children as Observations, from the charts that an operator supplied.
 * Arithmetic on published tables, no diagnosis.
 */
import { GROWTH_CODES, PERCENT_OF_P95_CODE, type GrowthCode } from '../growth/coding.ts';
import { roundedText, type Assessed, type Assessment } from '../growth/assess.ts';
import type { GrowthTables } from '../growth/tables.ts';
import type { Policy } from '../policy.ts';
import { isUsable, type PersonFacts, type Reading } from '../reading.ts';
import { assessBmi, assessReading, isChildAt } from '../serial/growth.ts';
import { SYSTEM, VITAL_SIGNS_CATEGORY } from '../terminology.ts';
import { isPositive, type BmiDraft } from './bmi.ts';
import { DERIVED_SYSTEM } from './derived-code.ts';
import { amount, concept, type Component } from './derived-content.ts';
import type { Content, Draft } from './draft.ts';

type Measure = 'weight' | 'height' | 'bmi';

const KIND = {
  weight: { percentile: 'weight-percentile', z: 'weight-z' },
  height: { percentile: 'height-percentile', z: 'height-z' },
  bmi: { percentile: 'bmi-percentile', z: 'bmi-z' },
} as const satisfies Record<Measure, Record<'percentile' | 'z', Draft['kind']>>;

const Z_DECIMALS = 2;
const PERCENTILE_DECIMALS = 1;

/** Two drafts, percentile and z-score, for each usable weight and height of a child and each BMI. */
export function deriveGrowth(
  readings: readonly Reading[],
  bmi: readonly BmiDraft[],
  person: PersonFacts,
  policy: Policy,
  tables: GrowthTables | undefined,
): Draft[] {
  if (tables === undefined || !policy.values['derive.growth']) return [];
  const ofReadings = readings.flatMap((reading) =>
    isUsable(reading) && isPositive(reading) && isChildAt(person, reading.effective.startMs)
      ? draftsOf(reading.of, [reading], assessReading(reading, person, tables))
      : [],
  );
  const ofBmi = bmi.flatMap((draft) =>
    isChildAt(person, draft.weight.effective.startMs)
      ? draftsOf('bmi', [draft.weight, draft.height], assessBmi(draft, person, tables))
      : [],
  );
  return [...ofReadings, ...ofBmi];
}

function draftsOf(measure: Measure, inputs: readonly [Reading, ...Reading[]], assessment: Assessment): Draft[] {
  if (assessment.outcome === 'not-assessed') return [];
  const [of] = inputs;
  return [
    { kind: KIND[measure].percentile, of, inputs, content: percentileContent(measure, assessment) },
    { kind: KIND[measure].z, of, inputs, content: zContent(measure, assessment) },
  ];
}

function percentileContent(measure: Measure, assessment: Assessed): Content {
  const code = GROWTH_CODES[measure].percentile;
  return {
    // of these the BMI percentile alone is a vital sign in a published profile (HL7 US Core)
    ...(measure === 'bmi' && { category: [{ coding: [VITAL_SIGNS_CATEGORY] }] }),
    code: coded(code),
    valueQuantity: inUnit(roundedText(assessment.percentile, PERCENTILE_DECIMALS), code),
    method: { text: methodText(assessment) },
  };
}

function zContent(measure: Measure, assessment: Assessed): Content {
  const code = GROWTH_CODES[measure].z;
  const { modifiedZ, bmi } = assessment;
  const component: Component[] = [];
  if (modifiedZ !== undefined) component.push(part(GROWTH_CODES[measure]['modified-z'], roundedText(modifiedZ, Z_DECIMALS)));
  if (bmi !== undefined && bmi.percentOfP95 >= 100)
    component.push(part(PERCENT_OF_P95_CODE, roundedText(bmi.percentOfP95, PERCENTILE_DECIMALS)));
  return {
    code: coded(code),
    valueQuantity: inUnit(roundedText(assessment.z, Z_DECIMALS), code),
    method: { text: methodText(assessment) },
    ...(component.length > 0 && { component }),
  };
}

function part(code: GrowthCode, text: string): Component {
  return { code: coded(code), valueQuantity: inUnit(text, code) };
}

function coded({ code, display, loinc }: GrowthCode): Content['code'] {
  return concept(...(loinc ? [{ system: SYSTEM.loinc, ...loinc }] : []), { system: DERIVED_SYSTEM, code, display });
}

function inUnit(text: string, { unit }: GrowthCode) {
  return amount(text, unit.code, unit.unit);
}

function methodText({ title, adjustedBy, bmi }: Assessed): string {
  return [
    `${title}, at the exact age; L, M and S interpolated.`,
    ...(adjustedBy === undefined ? [] : [`${adjustedBy} cm added for the comparison, since the chart is of the other position.`]),
    ...(bmi !== undefined && bmi.percentOfP95 > 100 ? ['Above the 95th percentile by the extended method (CDC 2022).'] : []),
    'This is a measurement and no diagnosis.',
  ].join(' ');
}
