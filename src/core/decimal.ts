/**
 * Exact decimal numbers: a bigint coefficient and a count of decimals.
 *
 * Binary floating point never touches a measured value (70.3 % 0.1 is not 0 in binary), so
 * everything that is compared, converted or divided goes through here. What a number *looked*
 * like when it was written (70.0, 70.50) is kept by `quantity.ts`; here only its value counts,
 * except that `scale` remembers how many decimals the text had.
 */

/** `coefficient / 10^scale`; `scale` is never negative. */
export interface Decimal {
  readonly coefficient: bigint;
  readonly scale: number;
}

/** FHIR R4 (4.0.1), Datatypes, decimal: the only number syntax that FHIR JSON knows. */
const FHIR_DECIMAL = /^(-?)(0|[1-9][0-9]*)(?:\.([0-9]+))?(?:[eE]([+-]?[0-9]+))?$/;

/** No literal longer than this is read: a scale shows six digits, an attack shows millions. */
export const LONGEST_LITERAL = 40;
/** No exponent beyond this is expanded: 1e1000000 would be a megabyte of zeros. */
export const LARGEST_EXPONENT = 30;

const TEN = 10n;

/**
 * Reads a FHIR decimal literal exactly. `7.00e1` has the value and the one decimal of `70.0`.
 *
 * Returns undefined for anything that is not a FHIR decimal, is longer than
 * {@link LONGEST_LITERAL} characters, or has an exponent beyond {@link LARGEST_EXPONENT}.
 */
export function parseDecimal(text: string): Decimal | undefined {
  if (text.length > LONGEST_LITERAL) return undefined;
  const match = FHIR_DECIMAL.exec(text);
  if (!match) return undefined;
  const [, sign, whole = '', fraction = '', exponentText = '0'] = match;
  const exponent = Number(exponentText);
  if (Math.abs(exponent) > LARGEST_EXPONENT) return undefined;
  const digits = BigInt(whole + fraction);
  const scale = fraction.length - exponent;
  const coefficient = scale < 0 ? digits * TEN ** BigInt(-scale) : digits;
  return { coefficient: sign ? -coefficient : coefficient, scale: Math.max(scale, 0) };
}

/** The same for a literal in our own source; throws RangeError, since a bad constant is a bug. */
export function decimal(text: string): Decimal {
  const value = parseDecimal(text);
  if (!value) throw new RangeError(`not a decimal literal: ${text}`);
  return value;
}

/** Plain digits, never an exponent: as many decimals as `scale` says (`70.0`, `0.10`). */
export function toText({ coefficient, scale }: Decimal): string {
  const negative = coefficient < 0n;
  const digits = (negative ? -coefficient : coefficient).toString().padStart(scale + 1, '0');
  const whole = digits.slice(0, digits.length - scale);
  const fraction = digits.slice(digits.length - scale);
  return `${negative ? '-' : ''}${whole}${fraction ? `.${fraction}` : ''}`;
}

/** The shortest text of the same value: 70.50 becomes 70.5, 70.0 becomes 70. */
export function toShortestText(value: Decimal): string {
  const text = toText(value);
  return value.scale === 0 ? text : text.replace(/(?:\.0+|(?<!0)0+)$/, '');
}

function aligned(a: Decimal, b: Decimal): [bigint, bigint, number] {
  const scale = Math.max(a.scale, b.scale);
  return [a.coefficient * TEN ** BigInt(scale - a.scale), b.coefficient * TEN ** BigInt(scale - b.scale), scale];
}

/** Negative, zero or positive, as `a` is below, equal to or above `b`. */
export function compare(a: Decimal, b: Decimal): number {
  const [left, right] = aligned(a, b);
  return left < right ? -1 : left > right ? 1 : 0;
}

export function isEqual(a: Decimal, b: Decimal): boolean {
  return compare(a, b) === 0;
}

export function add(a: Decimal, b: Decimal): Decimal {
  const [left, right, scale] = aligned(a, b);
  return { coefficient: left + right, scale };
}

export function subtract(a: Decimal, b: Decimal): Decimal {
  return add(a, { coefficient: -b.coefficient, scale: b.scale });
}

export function multiply(a: Decimal, b: Decimal): Decimal {
  return { coefficient: a.coefficient * b.coefficient, scale: a.scale + b.scale };
}

/** True when `value` is a whole number of `step`s; `step` must not be zero (RangeError). */
export function isMultipleOf(value: Decimal, step: Decimal): boolean {
  const [whole, part] = aligned(value, step);
  return whole % part === 0n;
}

/**
 * `numerator / denominator` with exactly `decimals` decimals, rounded once, half away from zero
 * ("half up" for the positive values measured here). Throws RangeError when dividing by zero.
 */
export function divideHalfUp(numerator: Decimal, denominator: Decimal, decimals: number): Decimal {
  if (denominator.coefficient === 0n) throw new RangeError('division by zero');
  let top = numerator.coefficient * TEN ** BigInt(denominator.scale + decimals);
  let bottom = denominator.coefficient * TEN ** BigInt(numerator.scale);
  if (bottom < 0n) [top, bottom] = [-top, -bottom];
  const half = bottom / 2n + (bottom % 2n); // smallest remainder that rounds away from zero
  const magnitude = top < 0n ? -top : top;
  const rounded = magnitude / bottom + (magnitude % bottom >= half ? 1n : 0n);
  return { coefficient: top < 0n ? -rounded : rounded, scale: decimals };
}

/** `value` rounded half up to `decimals` decimals, or written with more zeros if it has fewer. */
export function roundHalfUp(value: Decimal, decimals: number): Decimal {
  return divideHalfUp(value, { coefficient: 1n, scale: 0 }, decimals);
}

export function isZero(value: Decimal): boolean {
  return value.coefficient === 0n;
}

export function isNegative(value: Decimal): boolean {
  return value.coefficient < 0n;
}
