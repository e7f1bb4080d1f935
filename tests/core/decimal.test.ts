import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import {
  add,
  compare,
  decimal,
  divideHalfUp,
  isEqual,
  isMultipleOf,
  isNegative,
  isZero,
  multiply,
  parseDecimal,
  roundHalfUp,
  subtract,
  toShortestText,
  toText,
  type Decimal,
} from '../../src/core/decimal.ts';

const anyDecimal = fc.record({ coefficient: fc.bigInt({ min: -(10n ** 20n), max: 10n ** 20n }), scale: fc.integer({ min: 0, max: 12 }) });

describe('reading a decimal', () => {
  it.each([
    ['70', '70', 0],
    ['70.0', '70.0', 1],
    ['70.50', '70.50', 2],
    ['0.10', '0.10', 2],
    ['-0.5', '-0.5', 1],
    ['-0', '0', 0],
    ['7.00e1', '70.0', 1],
    ['7e1', '70', 0],
    ['7E+2', '700', 0],
    ['700e-2', '7.00', 2],
    ['1e-3', '0.001', 3],
  ])('%s is %s with %i decimals', (text, plain, scale) => {
    const value = decimal(text);
    expect(toText(value)).toBe(plain);
    expect(value.scale).toBe(scale);
  });

  it.each([
    '',
    ' 70',
    '70 ',
    '+70',
    '070',
    '.5',
    '5.',
    '0x10',
    '1_000',
    '70,5',
    'NaN',
    'Infinity',
    '1e',
    '1e1.5',
    '--1',
    '٧٠',
    '1e31',
    '1e-31',
    '1'.repeat(41),
  ])('refuses %j', (text) => {
    expect(parseDecimal(text)).toBeUndefined();
  });

  it('reads forty characters and an exponent of thirty, which are the most', () => {
    expect(parseDecimal('1'.repeat(40))?.coefficient).toBe(BigInt('1'.repeat(40)));
    expect(decimal('1e30').coefficient).toBe(10n ** 30n);
  });

  it('throws for a bad constant in our own source', () => {
    expect(() => decimal('seventy')).toThrow(RangeError);
  });
});

describe('writing a decimal', () => {
  it.each([
    ['70.50', '70.5'],
    ['70.0', '70'],
    ['100', '100'],
    ['100.00', '100'],
    ['0.00', '0'],
    ['-1.10', '-1.1'],
  ])('%s at its shortest is %s', (text, shortest) => {
    expect(toShortestText(decimal(text))).toBe(shortest);
  });

  it('gives back every decimal that was read', () => {
    fc.assert(
      fc.property(anyDecimal, (value) => {
        expect(parseDecimal(toText(value))).toEqual(value);
      }),
    );
  });
});

describe('arithmetic', () => {
  it('is exact where binary floating point is not', () => {
    expect(toText(add(decimal('0.1'), decimal('0.2')))).toBe('0.3');
    expect(toText(subtract(decimal('70.3'), decimal('70.30')))).toBe('0.00');
    expect(isMultipleOf(decimal('70.3'), decimal('0.1'))).toBe(true);
    expect(isMultipleOf(decimal('70.09999999999999999'), decimal('0.1'))).toBe(false);
    expect(isMultipleOf(decimal('-0.3'), decimal('0.1'))).toBe(true);
  });

  it('compares values, not the digits they were written with', () => {
    expect(isEqual(decimal('70'), decimal('70.00'))).toBe(true);
    expect(compare(decimal('-0.1'), decimal('0'))).toBeLessThan(0);
    expect(compare(decimal('2'), decimal('1.99'))).toBeGreaterThan(0);
    expect([isZero(decimal('0.00')), isNegative(decimal('-0.0')), isNegative(decimal('-0.1'))]).toEqual([true, false, true]);
  });

  it.each([
    ['31.25', 1, '31.3'],
    ['31.24999', 1, '31.2'],
    ['-31.25', 1, '-31.3'],
    ['0.05', 1, '0.1'],
    ['0.04', 1, '0.0'],
    ['7', 2, '7.00'],
    ['99.95', 1, '100.0'],
  ])('rounds %s to %i decimals as %s', (text, decimals, rounded) => {
    expect(toText(roundHalfUp(decimal(text), decimals))).toBe(rounded);
  });

  it('divides with one rounding, half away from zero, whatever the signs', () => {
    fc.assert(
      fc.property(anyDecimal, anyDecimal, fc.integer({ min: 0, max: 6 }), (top, bottom, decimals) => {
        fc.pre(bottom.coefficient !== 0n);
        const result = divideHalfUp(top, bottom, decimals);
        expect(result.scale).toBe(decimals);
        // |2 (top - result * bottom)| <= |bottom| / 10^decimals, and a tie goes away from zero
        const rest = subtract(top, multiply(result, bottom));
        const double = magnitude(add(rest, rest));
        const unit = magnitude({ coefficient: bottom.coefficient, scale: bottom.scale + decimals });
        expect(compare(double, unit)).toBeLessThanOrEqual(0);
        if (isEqual(double, unit)) expect(compare(magnitude(multiply(result, bottom)), magnitude(top))).toBeGreaterThan(0);
      }),
    );
  });

  it('throws when dividing by zero, which is a bug of the caller', () => {
    expect(() => divideHalfUp(decimal('1'), decimal('0.0'), 1)).toThrow(RangeError);
    expect(() => isMultipleOf(decimal('1'), decimal('0'))).toThrow(RangeError);
  });

  it('keeps the laws of addition and multiplication', () => {
    fc.assert(
      fc.property(anyDecimal, anyDecimal, anyDecimal, (a, b, c) => {
        expect(isEqual(multiply(a, add(b, c)), add(multiply(a, b), multiply(a, c)))).toBe(true);
        expect(isEqual(subtract(add(a, b), b), a)).toBe(true);
      }),
    );
  });
});

function magnitude({ coefficient, scale }: Decimal): Decimal {
  return { coefficient: coefficient < 0n ? -coefficient : coefficient, scale };
}
