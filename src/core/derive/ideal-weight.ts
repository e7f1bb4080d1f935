/**
 * Ideal and adjusted body weight of adults, as used when a drug is dosed by them.
 *
 * Both are conventions, not goals for anybody: a dosing input that needs a clinical owner.
 */
import { add, compare, decimal, divideHalfUp, multiply, subtract, type Decimal } from '../decimal.ts';
import { inBaseUnit, UNITS, type Quantity } from '../quantity.ts';
import type { PersonFacts } from '../reading.ts';
import { SYSTEM } from '../terminology.ts';
import { DERIVED_SYSTEM, type DerivedCode } from './derived-code.ts';

export const IDEAL_WEIGHT_CODE: DerivedCode = {
  system: SYSTEM.loinc,
  code: '50064-5',
  display: 'Ideal body weight',
  unit: 'kg',
  source: 'LOINC, term 50064-5; Medizininformatik-Initiative (Germany), intensive care module, profile of the ideal body weight',
};

export const ADJUSTED_WEIGHT_CODE: DerivedCode = {
  system: DERIVED_SYSTEM,
  code: 'adjusted-body-weight',
  display: 'Adjusted body weight: ideal body weight and 40 % of what is above it',
  unit: 'kg',
  source: 'our own: no LOINC term found',
};

export const IDEAL_WEIGHT_SOURCE = 'Devine, Drug Intell Clin Pharm 1974;8:650-655';
export const ADJUSTED_WEIGHT_SOURCE =
  'Traynor et al., Antimicrob Agents Chemother 1995;39:545-548; tobramycin prescribing information (40 % of the excess)';

const INCHES = decimal('60');
const BASE_KG = { male: decimal('50'), female: decimal('45.5') } as const;
const KG_PER_INCH = decimal('2.3');
const SHARE_OF_EXCESS = decimal('0.4');
const SHARE_OF_IDEAL = decimal('0.6');
const CENTIMETRES_PER_INCH = UNITS['[in_i]'].factor;

type Sex = PersonFacts['sex'];

/**
 * Kilograms, rounded half up once: 50 (male) or 45.5 (female) and 2.3 for each inch above 60.
 * Source: Devine 1974. Undefined below 60 in, where the formula says nothing, and for anybody
 * who is not recorded as male or female. For adults; the caller knows the age.
 */
export function idealBodyWeight(height: Pick<Quantity, 'value' | 'unit'>, sex: Sex, decimals = 1): Decimal | undefined {
  const ideal = idealTimesInch(height, sex);
  return ideal && divideHalfUp(ideal, CENTIMETRES_PER_INCH, decimals);
}

/**
 * Kilograms, rounded half up once: the unrounded ideal weight and 0.4 of what is above it.
 * Source: Traynor et al. 1995 give 0.43 from their own patients and 0.4 as the figure in use.
 * Undefined where the ideal weight is, and for a weight that is not above it: the correction is
 * for excess weight only. How far above it has to be is the site's decision.
 */
export function adjustedBodyWeight(
  weight: Pick<Quantity, 'value' | 'unit'>,
  height: Pick<Quantity, 'value' | 'unit'>,
  sex: Sex,
  decimals = 1,
): Decimal | undefined {
  const ideal = idealTimesInch(height, sex);
  const actual = multiply(inBaseUnit(weight), CENTIMETRES_PER_INCH);
  if (ideal === undefined || compare(actual, ideal) <= 0) return undefined;
  return divideHalfUp(add(multiply(SHARE_OF_IDEAL, ideal), multiply(SHARE_OF_EXCESS, actual)), CENTIMETRES_PER_INCH, decimals);
}

/** The ideal weight times 2.54, so that the division by the inch waits for the one rounding. */
function idealTimesInch(height: Pick<Quantity, 'value' | 'unit'>, sex: Sex): Decimal | undefined {
  if (sex !== 'male' && sex !== 'female') return undefined;
  const above = subtract(inBaseUnit(height), multiply(INCHES, CENTIMETRES_PER_INCH));
  if (above.coefficient < 0n) return undefined;
  return add(multiply(BASE_KG[sex], CENTIMETRES_PER_INCH), multiply(KG_PER_INCH, above));
}
