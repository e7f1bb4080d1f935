/** How sure a counted share is. */
import type { OverPeople } from './tally.ts';

export const Z_95 = 1.959963984540054;

/**
 * Wilson's score interval for a share (E. B. Wilson, Journal of the American Statistical Association
 * 1927;22:209-212; method 3 of R. G. Newcombe, Statistics in Medicine 1998;17:857-872), 95 %.
 *
 * It takes the observations for independent of each other, which measurements of one person are
 * not: read it as the least uncertainty there is.
 */
export function wilsonInterval(found: number, of: number): { readonly low: number; readonly high: number } {
  if (of === 0) return { low: 0, high: 1 };
  const share = found / of;
  const squared = Z_95 ** 2;
  const middle = share + squared / (2 * of);
  const reach = Z_95 * Math.sqrt((share * (1 - share)) / of + squared / (4 * of ** 2));
  const whole = 1 + squared / of;
  return {
    low: found === 0 ? 0 : Math.max(0, (middle - reach) / whole),
    high: found === of ? 1 : Math.min(1, (middle + reach) / whole),
  };
}

/**
 * Standard error of a share of measurements when people were drawn and each brought several: that of
 * a ratio estimate (W. G. Cochran, Sampling Techniques, 3rd edition 1977, section 6.4; from memory).
 */
export function ratioError(share: number, measurements: number, over: OverPeople): number {
  const residuals = over.alarmsSquared - 2 * share * over.alarmsTimesMeasurements + share ** 2 * over.measurementsSquared;
  return measurements === 0 ? 1 : Math.sqrt(Math.max(0, residuals)) / measurements;
}
