/**
 * Our units against the UCUM reference library (NLM, @lhncbc/ucum-lhc). Its factors are right and
 * its arithmetic is binary, so its results are compared within the error of that arithmetic, and
 * ours with exact fractions.
 */
import { describe, expect, test } from 'vitest';
import { toShortestText } from '../../src/core/decimal.ts';
import { inBaseUnit, isUnitCode, quantity, UNITS, unitsOf, type UnitCode } from '../../src/core/quantity.ts';
import { inSi } from './fractions.ts';
import { convert, dimensionOf, isUcum } from './ucum-library.ts';

const CODES = Object.keys(UNITS) as UnitCode[];

function exact(text: string, unit: UnitCode): string {
  const read = quantity(text, unit);
  if (read === undefined) throw new Error(`${text} is no decimal`);
  return toShortestText(inBaseUnit(read));
}

/** Compares ours with the library and with fractions; gives the largest relative difference from the library. */
function compareGrid(texts: readonly string[], unit: UnitCode, base: 'kg' | 'cm'): number {
  let worst = 0;
  for (const text of texts) {
    const ours = exact(text, unit);
    const { over, under } = inSi(text, unit); // kilograms, or metres
    const [whole = '', decimals = ''] = ours.split('.');
    const scale = base === 'cm' ? 100n : 1n;
    if (BigInt(whole + decimals) * under !== over * scale * 10n ** BigInt(decimals.length))
      throw new Error(`${text} ${unit} is not ${ours}`);
    const theirs = convert(Number(text), unit, base);
    worst = Math.max(worst, Math.abs(theirs - Number(ours)) / Number(ours));
  }
  return worst;
}

describe('conversions', () => {
  test('every quarter pound from 0.25 to 700 lb is exact in kilograms', () => {
    const quarters = Array.from({ length: 2800 }, (_, index) => String((index + 1) / 4));
    expect(compareGrid(quarters, '[lb_av]', 'kg')).toBeLessThan(1e-14);
  });

  test('every eighth of an inch from 1/8 to 110 in is exact in centimetres', () => {
    const eighths = Array.from({ length: 880 }, (_, index) => String((index + 1) / 8));
    expect(compareGrid(eighths, '[in_i]', 'cm')).toBeLessThan(1e-14);
  });

  test('every hundred grams from 0.1 to 300 kg is exact in kilograms', () => {
    const steps = Array.from({ length: 3000 }, (_, index) => String((index + 1) * 100));
    expect(compareGrid(steps, 'g', 'kg')).toBeLessThan(1e-14);
  });

  test('a figure that the library gives with a binary accident is exact here', () => {
    expect(convert(70.625, '[in_i]', 'cm')).not.toBe(179.3875);
    expect(exact('70.625', '[in_i]')).toBe('179.3875');
  });

  // UCUM (Regenstrief Institute), definitions of [lb_av], [gr] and [in_i]; NIST SP 811, appendix B.8
  test.each([
    ['1', '[lb_av]', '0.45359237'],
    ['185', '[lb_av]', '83.91458845'],
    ['44.3', '[lb_av]', '20.094141991'],
    ['1', '[in_i]', '2.54'],
    ['66.875', '[in_i]', '169.8625'],
    ['3450', 'g', '3.45'],
    ['70.0', 'kg', '70'],
  ] as const)('%s %s is %s', (text, unit, expected) => {
    expect(exact(text, unit)).toBe(expected);
  });
});

describe('unit codes', () => {
  test.each(CODES)('%s is a UCUM code of the right dimension', (code) => {
    const base = UNITS[code].of === 'weight' ? 'g' : 'm';
    expect(isUcum(code)).toBe(true);
    expect(dimensionOf(code)).toEqual(dimensionOf(base));
    expect(dimensionOf('g')).not.toEqual(dimensionOf('m'));
  });

  test('they are those of the R4 value sets ucum-bodyweight and ucum-bodylength', () => {
    expect([unitsOf('weight').sort(), unitsOf('height').sort()]).toEqual([
      ['[lb_av]', 'g', 'kg'],
      ['[in_i]', 'cm'],
    ]);
  });

  test.each(['lb', 'lbs', 'KG', 'Kg', 'kgs', '[LB_AV]', 'in', 'inch', 'CM', 'cms', 'kilogram', 'pound'])(
    '%s is no UCUM code, and not accepted',
    (code) => {
      expect(isUcum(code)).toBe(false);
      expect(isUnitCode(code)).toBe(false);
    },
  );

  test.each(['ft', 'st', '[lb_tr]', '[lb_ap]', '[oz_av]', '[in_us]', '[ft_i]', 'm', 'mm', 'mg', 'kg{clothed}', 't'])(
    '%s is a UCUM code that no body-weight or body-length value set has, and not accepted',
    (code) => {
      expect(isUcum(code)).toBe(true);
      expect(isUnitCode(code)).toBe(false);
    },
  );

  test.each(['kg ', ' kg', 'kg\n'])('%j is trimmed by the library and not accepted here', (code) => {
    expect(isUcum(code)).toBe(false);
    expect(isUnitCode(code)).toBe(false);
  });
});
