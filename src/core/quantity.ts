/**
 * Quantities of mass and length: an exact value, the digits it was written with, a UCUM unit.
 *
 * UCUM codes are case-sensitive. Only the codes that the R4 profiles allow are accepted
 * (HL7 FHIR R4 4.0.1, ValueSet ucum-bodyweight and ucum-bodylength); a wrong spelling is named
 * with the right code and never guessed. Factors are exact decimals by definition.
 */
import { decimal, divideHalfUp, multiply, parseDecimal, toShortestText, type Decimal } from './decimal.ts';
import type { Measured } from './terminology.ts';

export type MassUnit = 'kg' | 'g' | '[lb_av]';
export type LengthUnit = 'cm' | '[in_i]';
export type UnitCode = MassUnit | LengthUnit;

interface UnitRow {
  readonly of: Measured;
  /** Exact number of kilograms (mass) or centimetres (length) in one of this unit. */
  readonly factor: Decimal;
  readonly name: string;
  readonly imperial: boolean;
  readonly source: string;
}

export const UNITS: Readonly<Record<UnitCode, UnitRow>> = {
  kg: { of: 'weight', factor: decimal('1'), name: 'kilogram', imperial: false, source: 'UCUM: prefix k, base unit g' },
  g: { of: 'weight', factor: decimal('0.001'), name: 'gram', imperial: false, source: 'UCUM: base unit' },
  '[lb_av]': {
    of: 'weight',
    factor: decimal('0.45359237'),
    name: 'pound',
    imperial: true,
    source: 'UCUM: [lb_av] = 7000 [gr], [gr] = 64.79891 mg',
  },
  cm: { of: 'height', factor: decimal('1'), name: 'centimetre', imperial: false, source: 'UCUM: prefix c, base unit m' },
  '[in_i]': { of: 'height', factor: decimal('2.54'), name: 'inch', imperial: true, source: 'UCUM: [in_i] = 2.54 cm' },
};

/** A measured value. `text` is what was written; `value` is the same number, exact. */
export interface Quantity {
  readonly value: Decimal;
  readonly text: string;
  readonly unit: UnitCode;
}

export function isUnitCode(code: string): code is UnitCode {
  return Object.hasOwn(UNITS, code);
}

export function unitsOf(measured: Measured): UnitCode[] {
  return (Object.keys(UNITS) as UnitCode[]).filter((code) => UNITS[code].of === measured);
}

/** From written digits; undefined when `text` is no FHIR decimal. */
export function quantity(text: string, unit: UnitCode): Quantity | undefined {
  const value = parseDecimal(text);
  return value && { value, text, unit };
}

/** The value in kilograms (mass) or centimetres (length): exact, not rounded. */
export function inBaseUnit({ value, unit }: Pick<Quantity, 'value' | 'unit'>): Decimal {
  return multiply(value, UNITS[unit].factor);
}

/** The value in another unit of the same measure, rounded half up to `decimals`, as text. */
export function convertForReading(from: Pick<Quantity, 'value' | 'unit'>, to: UnitCode, decimals: number): string {
  return toShortestText(divideHalfUp(inBaseUnit(from), UNITS[to].factor, decimals));
}

/** `70.0 kg`, as a person reads it. */
export function describeQuantity({ text, unit }: Pick<Quantity, 'text' | 'unit'>): string {
  return `${text} ${unit}`;
}

/**
 * Spellings seen in the field, each with the UCUM code that was probably meant. A proposal in a
 * message only: no unit is ever replaced. (The general UCUM library proposes [lb_ap] for "lb"
 * and reads "ft" as a femtotonne, which is why this table is our own.)
 */
const SPELLINGS: Readonly<Record<UnitCode, readonly string[]>> = {
  kg: ['kgs', 'kilogram', 'kilograms', 'kilogramme', 'kilo', 'kilos', 'st', '[stone_av]', 't', 'kg{dry}'],
  g: ['gm', 'gms', 'gram', 'grams', 'gramme', 'gr', 'mg', 'ug'],
  '[lb_av]': ['lb', 'lbs', 'lb_av', 'pound', 'pounds', '#', '[lb_tr]', '[lb_ap]', 'lbm', 'oz', '[oz_av]', 'ounce', 'ounces'],
  cm: ['cms', 'centimeter', 'centimeters', 'centimetre', 'centimetres', 'm', 'mm', 'mtr', 'meter', 'meters', 'metre', 'metres', 'dm'],
  // ′′ is what NFKC makes of ″
  '[in_i]': ['in', 'inch', 'inches', '"', '′′', 'in_i', 'ft', 'feet', 'foot', "'", '[ft_i]', '[in_us]', '[in_br]', 'ins'],
};

/** The code to propose for a spelling (compared without regard to case), if one is known. */
export function proposeUnit(spelling: string): UnitCode | undefined {
  const wanted = spelling.normalize('NFKC').trim().toLowerCase();
  return (Object.keys(SPELLINGS) as UnitCode[]).find((code) => code.toLowerCase() === wanted || SPELLINGS[code].includes(wanted));
}

/** Human unit texts that contradict a code: `unit: "lb"` beside `code: "kg"`. */
export function unitTextContradicts(text: string, code: UnitCode): UnitCode | undefined {
  const meant = proposeUnit(text);
  return meant !== undefined && meant !== code ? meant : undefined;
}
