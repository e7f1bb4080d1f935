/**
 * Body surface area, ideal and adjusted body weight: inputs of doses, so each is off until a
 * clinical owner turns it on, and each says so.
 */
import { toText, type Decimal } from '../decimal.ts';
import { ageAt } from '../fhir-time.ts';
import type { Policy } from '../policy.ts';
import { isUsable, type PersonFacts, type Reading } from '../reading.ts';
import { VITAL_SIGNS_CATEGORY } from '../terminology.ts';
import { isPositive, type BmiDraft } from './bmi.ts';
import { BODY_SURFACE_CODE, BODY_SURFACE_FORMULAS, bodySurfaceArea, type BodySurfaceFormula } from './body-surface.ts';
import type { DerivedCode } from './derived-code.ts';
import { amount, concept } from './derived-content.ts';
import type { Content, DerivedKind, Draft } from './draft.ts';
import {
  ADJUSTED_WEIGHT_CODE,
  ADJUSTED_WEIGHT_SOURCE,
  adjustedBodyWeight,
  IDEAL_WEIGHT_CODE,
  IDEAL_WEIGHT_SOURCE,
  idealBodyWeight,
} from './ideal-weight.ts';

export const DOSING_CAUTION = 'A dosing input that needs a clinical owner; no recommendation, and no diagnosis.';

/** Devine's formula and what builds on it are for adults: 18 years, common practice. */
const ADULT_YEARS_IN_MONTHS = 216;

/** @param pairs weights with the measured height that the policy chose for each, as for the BMI */
export function deriveDosing(readings: readonly Reading[], pairs: readonly BmiDraft[], person: PersonFacts, { values }: Policy): Draft[] {
  const formula = values['derive.bodySurface'];
  return [
    ...(formula === 'off' ? [] : pairs.flatMap((pair) => surface(pair, formula as BodySurfaceFormula))),
    ...(values['derive.idealWeight'] ? readings.flatMap((reading) => ideal(reading, person)) : []),
    ...(values['derive.adjustedWeight'] ? pairs.flatMap((pair) => adjusted(pair, person)) : []),
  ];
}

function surface({ weight, height }: BmiDraft, formula: BodySurfaceFormula): Draft[] {
  const { title, source } = BODY_SURFACE_FORMULAS[formula];
  const area = bodySurfaceArea(weight.quantity, height.quantity, formula);
  return draftOf('body-surface', [weight, height], area, BODY_SURFACE_CODE, `${title} (${source})`);
}

function ideal(height: Reading, person: PersonFacts): Draft[] {
  if (height.of !== 'height' || !isUsable(height) || !isPositive(height) || !isAdultAt(height, person)) return [];
  const weight = idealBodyWeight(height.quantity, person.sex);
  return draftOf(
    'ideal-weight',
    [height],
    weight,
    IDEAL_WEIGHT_CODE,
    `50 kg (male) or 45.5 kg and 2.3 kg an inch above 60 (${IDEAL_WEIGHT_SOURCE})`,
  );
}

function adjusted({ weight, height }: BmiDraft, person: PersonFacts): Draft[] {
  if (!isAdultAt(weight, person)) return [];
  const value = adjustedBodyWeight(weight.quantity, height.quantity, person.sex);
  return draftOf(
    'adjusted-weight',
    [weight, height],
    value,
    ADJUSTED_WEIGHT_CODE,
    `Ideal body weight and 0.4 of what is above it (${ADJUSTED_WEIGHT_SOURCE})`,
  );
}

function isAdultAt({ effective }: Reading, { birthDate }: PersonFacts): boolean {
  const age = birthDate === undefined ? undefined : ageAt(birthDate, effective.startMs);
  return age !== undefined && age.youngestMonths >= ADULT_YEARS_IN_MONTHS;
}

function draftOf(
  kind: DerivedKind,
  inputs: readonly [Reading, ...Reading[]],
  value: Decimal | undefined,
  code: DerivedCode,
  formula: string,
): Draft[] {
  if (value === undefined) return [];
  const content: Content = {
    // FHIR R4, CodeSystem observation-category: body surface area is named among the vital signs
    ...(kind === 'body-surface' && { category: [{ coding: [VITAL_SIGNS_CATEGORY] }] }),
    code: concept(code),
    valueQuantity: amount(toText(value), code.unit),
    method: { text: `${formula}. ${DOSING_CAUTION}` },
  };
  return [{ kind, of: inputs[0], inputs, content }];
}
