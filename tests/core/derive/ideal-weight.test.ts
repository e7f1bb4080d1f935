import { describe, expect, it } from 'vitest';
import { toText } from '../../../src/core/decimal.ts';
import { adjustedBodyWeight, idealBodyWeight } from '../../../src/core/derive/ideal-weight.ts';
import { quantity, type UnitCode } from '../../../src/core/quantity.ts';
import type { PersonFacts } from '../../../src/core/reading.ts';

type Sex = PersonFacts['sex'];
const q = (text: string, unit: UnitCode) => quantity(text, unit)!;

function ideal(text: string, unit: UnitCode, sex: Sex, decimals?: number): string | undefined {
  const value = idealBodyWeight(q(text, unit), sex, decimals);
  return value && toText(value);
}

function adjusted(kg: string, inches: string, sex: Sex, decimals?: number): string | undefined {
  const value = adjustedBodyWeight(q(kg, 'kg'), q(inches, '[in_i]'), sex, decimals);
  return value && toText(value);
}

describe('ideal body weight', () => {
  it('begins at 60 inches, to the last digit', () => {
    expect([ideal('60', '[in_i]', 'male'), ideal('60', '[in_i]', 'female')]).toEqual(['50.0', '45.5']);
    expect([ideal('152.4', 'cm', 'male'), ideal('152.4', 'cm', 'female')]).toEqual(['50.0', '45.5']);
    expect([ideal('152.3999', 'cm', 'male'), ideal('59.875', '[in_i]', 'female')]).toEqual([undefined, undefined]);
  });

  it('is rounded half up once, from the height as measured', () => {
    // 177.8 cm is 70 in; 2.3 kg for each 2.54 cm
    expect(ideal('177.8', 'cm', 'male')).toBe('73.0');
    expect(ideal('170.0', 'cm', 'female', 4)).toBe('61.4370');
    expect(ideal('61.5', '[in_i]', 'male')).toBe('53.5'); // 53.45 exactly
    expect(ideal('61.4999', '[in_i]', 'male')).toBe('53.4');
  });

  it.each<Sex>(['other', 'unknown', undefined])('is not given when the sex is %s', (sex) => {
    expect(ideal('70', '[in_i]', sex)).toBeUndefined();
    expect(adjusted('120.0', '70', sex)).toBeUndefined();
  });
});

describe('adjusted body weight', () => {
  it('adds 40 % of what is above the ideal, from the unrounded ideal', () => {
    expect(adjusted('120.0', '70', 'male')).toBe('91.8');
    expect(adjusted('100.0', '64', 'female', 2)).toBe('72.82');
    // ideal 53.45: 0.6 * 53.45 + 0.4 * 54.7 = 53.95; from a rounded 53.5 it would be 53.98
    expect(adjusted('54.7', '61.5', 'male', 2)).toBe('53.95');
  });

  it('is for excess weight only', () => {
    expect(adjusted('73.0', '70', 'male')).toBeUndefined();
    expect(adjusted('60.0', '70', 'male')).toBeUndefined();
    expect(adjusted('73.1', '70', 'male', 2)).toBe('73.04');
  });

  it('is not given where the ideal weight is not', () => {
    expect(adjusted('120.0', '59.9', 'male')).toBeUndefined();
  });
});
