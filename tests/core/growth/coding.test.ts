/** Codes of what is derived from charts. */
import { describe, expect, it, test } from 'vitest';
import { GROWTH_CODES, PERCENT_OF_P95_CODE } from '../../../src/core/growth/coding.ts';

const ALL = [...Object.values(GROWTH_CODES).flatMap((kinds) => Object.values(kinds)), PERCENT_OF_P95_CODE];

/** The check digit that ends every LOINC code: Luhn's, "mod 10" (LOINC Users' Guide). */
function checkDigit(number: string): number {
  const fromRight = Array.from(number, Number).reverse();
  const sum = fromRight
    .map((digit, index) => (index % 2 === 0 ? digit * 2 : digit))
    .reduce((total, value) => total + (value > 9 ? value - 9 : value), 0);
  return (10 - (sum % 10)) % 10;
}

describe('the codes', () => {
  it('are each our own and used once', () => {
    expect(new Set(ALL.map(({ code }) => code)).size).toBe(13);
    for (const { code, display } of ALL) {
      expect(code).toMatch(/^[a-z0-9]+(-[a-z0-9]+)*$/);
      expect(display).not.toBe('');
    }
  });

  test.each([
    ['59576-9', 'bmi', 'HL7 US Core, profile pediatric-bmi-for-age'],
    ['77606-2', 'weight-for-height', 'HL7 US Core, profile pediatric-weight-for-height'],
    ['8336-0', 'weight', 'Medical Informatics Initiative Germany, ICU module'],
    ['8303-0', 'height', 'Medical Informatics Initiative Germany, ICU module'],
  ] as const)('%s stands for the percentile of %s (%s)', (loinc, of, source) => {
    const row = GROWTH_CODES[of].percentile;
    expect(row.loinc?.code).toBe(loinc);
    expect(row.loinc?.source).toContain(source);
    expect(row.unit).toEqual({ unit: '%', code: '%' });
  });

  it('of LOINC have their check digit', () => {
    const codes = ALL.flatMap(({ loinc }) => (loinc === undefined ? [] : [loinc.code.split('-') as [number: string, digit: string]]));
    expect(codes.map(([number]) => checkDigit(number))).toEqual(codes.map(([, digit]) => Number(digit)));
    expect(codes).toHaveLength(4);
  });

  it('of z-scores are never those of LOINC, since none was found', () => {
    const scores = Object.values(GROWTH_CODES).flatMap((kinds) => [kinds.z, kinds['modified-z']]);
    expect(scores.map(({ loinc, unit }) => [loinc, unit.code])).toEqual(scores.map(() => [undefined, '1']));
  });
});
