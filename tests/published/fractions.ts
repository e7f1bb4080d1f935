/**
 * Exact BMI by whole-number fractions, independent of the service's own decimals: the yardstick
 * that published figures are compared with.
 */

export interface Fraction {
  readonly over: bigint;
  readonly under: bigint;
}

/** Written digits as a fraction: "65.125" is 65125/1000. */
export function fraction(digits: string): Fraction {
  const [whole = '', decimals = ''] = digits.split('.');
  return { over: BigInt(whole + decimals), under: 10n ** BigInt(decimals.length) };
}

/** Exact factors: 1959 international yard and pound agreement (NIST SP 811, appendix B.8). */
const FACTOR: Readonly<Record<string, Fraction>> = {
  kg: fraction('1'),
  g: fraction('0.001'),
  '[lb_av]': fraction('0.45359237'),
  cm: fraction('0.01'),
  '[in_i]': fraction('0.0254'),
};

/** The value in kilograms or metres. */
export function inSi(digits: string, unit: string): Fraction {
  const [value, factor] = [fraction(digits), FACTOR[unit]];
  if (factor === undefined) throw new Error(`no factor for ${unit}`);
  return { over: value.over * factor.over, under: value.under * factor.under };
}

export function exactBmi(weight: readonly [digits: string, unit: string], height: readonly [digits: string, unit: string]): Fraction {
  const [kilograms, metres] = [inSi(...weight), inSi(...height)];
  return { over: kilograms.over * metres.under ** 2n, under: kilograms.under * metres.over ** 2n };
}

/** Rounded half up to so many decimals, as digits. */
export function roundHalfUp({ over, under }: Fraction, decimals: number): string {
  const scaled = (2n * over * 10n ** BigInt(decimals) + under) / (2n * under);
  const digits = scaled.toString().padStart(decimals + 1, '0');
  return decimals === 0 ? digits : `${digits.slice(0, -decimals)}.${digits.slice(-decimals)}`;
}

/** Does the value lie exactly half way between two numbers of so many decimals? */
export function isTie({ over, under }: Fraction, decimals: number): boolean {
  const twice = 2n * over * 10n ** BigInt(decimals);
  return twice % under === 0n && (twice / under) % 2n === 1n;
}
