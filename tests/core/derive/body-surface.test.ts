import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { toText } from '../../../src/core/decimal.ts';
import { BODY_SURFACE_FORMULAS, bodySurfaceArea, type BodySurfaceFormula } from '../../../src/core/derive/body-surface.ts';
import { quantity, type UnitCode } from '../../../src/core/quantity.ts';

const FORMULAS = Object.keys(BODY_SURFACE_FORMULAS) as BodySurfaceFormula[];
const q = (text: string, unit: UnitCode) => quantity(text, unit)!;

function area(formula: BodySurfaceFormula, kg: string, cm: string, decimals?: number): string | undefined {
  const value = bodySurfaceArea(q(kg, 'kg'), q(cm, 'cm'), formula, decimals);
  return value && toText(value);
}

describe('body surface area', () => {
  it('has two decimals unless more are asked for', () => {
    expect(FORMULAS.map((formula) => area(formula, '70', '170'))).toEqual(['1.82', '1.81', '1.83']);
    expect([0, 1, 3, 6, 20].map((decimals) => area('mosteller', '70', '170', decimals))).toEqual([
      '2',
      '1.8',
      '1.818',
      '1.818119',
      '1.81811868577261906858', // the root to 60 digits begins so (computed apart, with decimals)
    ]);
  });

  it('is the same from grams, pounds and inches', () => {
    for (const formula of FORMULAS) {
      const metric = area(formula, '68.0388555', '165.1', 6);
      const imperial = bodySurfaceArea(q('150.00', '[lb_av]'), q('65.0', '[in_i]'), formula, 6)!;
      const grams = bodySurfaceArea(q('68038.8555', 'g'), q('165.1', 'cm'), formula, 6)!;
      expect([toText(imperial), toText(grams)]).toEqual([metric, metric]);
    }
  });

  it.each([
    ['0.3600', '0.25', '0.01', 'a root of exactly 0.005 goes up'],
    ['0.3600', '0.249999999', '0.00', 'a root a hair below 0.005 goes down'],
    ['3.24', '250', '0.47', 'a root of 0.47434 goes down'],
    ['8.1225', '100', '0.48', 'a root of exactly 0.475 goes up'],
    ['8.12249', '100', '0.47', 'a root a hair below 0.475 goes down'],
  ])('by Mosteller of %s kg and %s cm is %s: %s', (kg, cm, expected) => {
    expect(area('mosteller', kg, cm)).toBe(expected);
  });

  it('by Mosteller is the nearest figure to the true root, for any weight and height', () => {
    const digits = fc.tuple(fc.bigInt(1n, 10n ** 9n), fc.integer({ min: 0, max: 6 }));
    fc.assert(
      fc.property(digits, digits, fc.integer({ min: 0, max: 12 }), ([kg, kgScale], [cm, cmScale], decimals) => {
        const weight = { value: { coefficient: kg, scale: kgScale }, unit: 'kg' } as const;
        const height = { value: { coefficient: cm, scale: cmScale }, unit: 'cm' } as const;
        const rounded = bodySurfaceArea(weight, height, 'mosteller', decimals)!.coefficient;
        // rounded - 1/2 <= root < rounded + 1/2, squared and without fractions
        const square = 4n * kg * cm * 10n ** BigInt(2 * decimals);
        const under = 3600n * 10n ** BigInt(kgScale + cmScale);
        const low = rounded === 0n ? 0n : (2n * rounded - 1n) ** 2n;
        return low * under <= square && square < (2n * rounded + 1n) ** 2n * under;
      }),
    );
  });

  it('is not given for a weight or a height that is not positive', () => {
    for (const formula of FORMULAS)
      for (const [kg, cm] of [
        ['0.0', '170'],
        ['70', '0'],
        ['-70', '170'],
        ['-70', '-170'],
      ] as const)
        expect(area(formula, kg, cm)).toBeUndefined();
  });
});
