/**
 * Body surface area from a weight and a height, by the published formula that a site chooses.
 *
 * A dosing input: whoever uses it needs a clinical owner for the choice of formula. The formulas
 * differ by up to a tenth in small infants.
 */
import { multiply, parseDecimal, roundHalfUp, toText, type Decimal } from '../decimal.ts';
import { inBaseUnit, type Quantity } from '../quantity.ts';
import { SYSTEM } from '../terminology.ts';
import type { DerivedCode } from './derived-code.ts';

export const BODY_SURFACE_CODE: DerivedCode = {
  system: SYSTEM.loinc,
  code: '3140-1',
  display: 'Body surface area Derived from formula',
  unit: 'm2',
  source: 'LOINC 2.82, term 3140-1, example unit m2 (8277-6 is the term that leaves the method open)',
};

export type BodySurfaceFormula = 'mosteller' | 'dubois' | 'haycock';

interface FormulaRow {
  readonly title: string;
  readonly source: string;
  /** `factor * cm^height * kg^weight`; absent for the square root, which is computed exactly. */
  readonly powers?: { readonly factor: number; readonly height: number; readonly weight: number };
}

export const BODY_SURFACE_FORMULAS: Readonly<Record<BodySurfaceFormula, FormulaRow>> = {
  mosteller: {
    title: 'Mosteller: square root of cm * kg / 3600',
    source: 'Mosteller, N Engl J Med 1987;317:1098',
  },
  dubois: {
    title: 'Du Bois and Du Bois: 0.007184 * cm^0.725 * kg^0.425',
    source: 'Du Bois and Du Bois, Arch Intern Med 1916;17:863-871',
    powers: { factor: 0.007184, height: 0.725, weight: 0.425 },
  },
  haycock: {
    title: 'Haycock: 0.024265 * cm^0.3964 * kg^0.5378',
    source: 'Haycock, Schwartz and Wisotsky, J Pediatr 1978;93:62-66',
    powers: { factor: 0.024265, height: 0.3964, weight: 0.5378 },
  },
};

const MOSTELLER_DIVISOR = 3600n;

/**
 * Square metres with `decimals` decimals, rounded half up once, from unrounded native values.
 * Undefined when weight or height is not positive.
 *
 * Mosteller's root is exact for any input. The powers of the other two are irrational and go
 * through binary floating point: about 15 digits are right, so the rounded figure can only be
 * wrong where the true one lies within that of a rounding edge.
 */
export function bodySurfaceArea(
  weight: Pick<Quantity, 'value' | 'unit'>,
  height: Pick<Quantity, 'value' | 'unit'>,
  formula: BodySurfaceFormula,
  decimals = 2,
): Decimal | undefined {
  const kilograms = inBaseUnit(weight);
  const centimetres = inBaseUnit(height);
  if (kilograms.coefficient <= 0n || centimetres.coefficient <= 0n) return undefined;
  const { powers } = BODY_SURFACE_FORMULAS[formula];
  if (powers === undefined) return mosteller(multiply(kilograms, centimetres), decimals);
  const area = powers.factor * toDouble(centimetres) ** powers.height * toDouble(kilograms) ** powers.weight;
  const exact = parseDecimal(String(area));
  return exact && roundHalfUp(exact, decimals);
}

function toDouble(value: Decimal): number {
  return Number(toText(value));
}

/**
 * With x the root in units of the last decimal, x rounded half up is floor(x + 1/2), which is
 * (floor(2x) + 1) halved downwards; and floor(2x) is the whole-number root of floor(4x^2).
 */
function mosteller({ coefficient, scale }: Decimal, decimals: number): Decimal {
  const squareOfDoubled = (coefficient * 4n * 10n ** BigInt(2 * decimals)) / (MOSTELLER_DIVISOR * 10n ** BigInt(scale));
  return { coefficient: (wholeRoot(squareOfDoubled) + 1n) / 2n, scale: decimals };
}

/** The largest whole number whose square is not above `value` (Newton, from above). */
function wholeRoot(value: bigint): bigint {
  if (value < 2n) return value;
  let root = 1n << BigInt(Math.ceil(value.toString(2).length / 2));
  for (let next = (root + value / root) / 2n; next < root; next = (root + value / root) / 2n) root = next;
  return root;
}
