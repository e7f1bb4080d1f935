import { describe, expect, it } from 'vitest';
import { decimal, toText } from '../../src/core/decimal.ts';
import {
  convertForReading,
  describeQuantity,
  inBaseUnit,
  isUnitCode,
  proposeUnit,
  quantity,
  UNITS,
  unitsOf,
  unitTextContradicts,
  type UnitCode,
} from '../../src/core/quantity.ts';

describe('a quantity', () => {
  it('keeps the digits it was written with beside its exact value', () => {
    expect(quantity('70.50', 'kg')).toEqual({ text: '70.50', unit: 'kg', value: { coefficient: 7050n, scale: 2 } });
    expect(quantity('seventy', 'kg')).toBeUndefined();
    expect(describeQuantity({ text: '70.50', unit: 'kg' })).toBe('70.50 kg');
  });

  it.each<[string, UnitCode, string]>([
    ['150', '[lb_av]', '68.03885550'],
    ['44.3', '[lb_av]', '20.094141991'],
    ['67', '[in_i]', '170.18'],
    ['70300', 'g', '70.300'],
    ['70.3', 'kg', '70.3'],
  ])('of %s %s is exactly %s in kilograms or centimetres', (text, unit, base) => {
    expect(toText(inBaseUnit({ value: decimal(text), unit }))).toBe(base);
  });

  it.each<[string, UnitCode, UnitCode, number, string]>([
    ['44.3', '[lb_av]', 'kg', 5, '20.09414'],
    ['70.0', 'kg', '[lb_av]', 1, '154.3'],
    ['170.18', 'cm', '[in_i]', 3, '67'],
  ])('%s %s reads as %s', (text, from, to, decimals, shown) => {
    expect(convertForReading({ value: decimal(text), unit: from }, to, decimals)).toBe(shown);
  });
});

describe('unit codes', () => {
  it('are those of the R4 profiles, letter for letter', () => {
    expect(unitsOf('weight')).toEqual(['kg', 'g', '[lb_av]']);
    expect(unitsOf('height')).toEqual(['cm', '[in_i]']);
    expect(['kg', 'KG', 'lb', 'm', 'toString', 'constructor', ''].map(isUnitCode)).toEqual([
      true,
      false,
      false,
      false,
      false,
      false,
      false,
    ]);
  });

  it('each have a source for their factor', () => {
    for (const { source } of Object.values(UNITS)) expect(source).toMatch(/^UCUM/);
  });

  it.each<[string, UnitCode | undefined]>([
    ['lbs', '[lb_av]'],
    [' Pounds ', '[lb_av]'],
    ['[LB_AV]', '[lb_av]'],
    ['KG', 'kg'],
    ['㎏', 'kg'],
    ['″', '[in_i]'],
    ['ft', '[in_i]'],
    ['m', 'cm'],
    ['mg', 'g'],
    ['parsec', undefined],
    ['', undefined],
    ['toString', undefined],
  ])('for %j the proposal is %s', (spelling, meant) => {
    expect(proposeUnit(spelling)).toBe(meant);
  });

  it('contradict a text only when the text is understood as another unit', () => {
    expect(unitTextContradicts('lb', 'kg')).toBe('[lb_av]');
    expect(unitTextContradicts('kilograms', 'kg')).toBeUndefined();
    expect(unitTextContradicts('something', 'kg')).toBeUndefined();
  });
});
