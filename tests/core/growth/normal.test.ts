/** The normal distribution against printed tables of it. */
import fc from 'fast-check';
import { describe, expect, it, test } from 'vitest';
import { lowerTail, quantile, upperQuantile, upperTail } from '../../../src/core/growth/normal.ts';

/** Abramowitz and Stegun, Handbook of Mathematical Functions (1964), table 26.1: P(x), as printed to ten digits and more. */
const PRINTED: readonly (readonly [z: number, below: number])[] = [
  [0, 0.5],
  [0.5, 0.6914624612740131],
  [1, 0.8413447460685429],
  [1.5, 0.9331927987311419],
  [1.96, 0.9750021048517795],
  [2, 0.9772498680518208],
  [2.5, 0.9937903346742238],
  [3, 0.9986501019683699],
  [4, 0.9999683287581669],
];

/** Tails far out: the complementary error function of the C library, erfc(z / sqrt 2) / 2. */
const FAR_OUT: readonly (readonly [z: number, above: number])[] = [
  [2.49, 6.387154764943176e-3],
  [2.51, 6.036558080412668e-3],
  [5, 2.866515718791946e-7],
  [6, 9.865876450377012e-10],
  [8.21, 1.1059424805859592e-16],
  [20, 2.7536241186063314e-89],
  [37, 5.725571222525139e-300],
];

/** Percentage points of the normal distribution, printed in any table of it. */
const POINTS: readonly (readonly [p: number, z: number])[] = [
  [0.5, 0],
  [0.75, 0.6744897501960817],
  [0.9, 1.2815515655446004],
  [0.95, 1.6448536269514722],
  [0.975, 1.959963984540054],
  [0.99, 2.3263478740408408],
  [0.999, 3.090232306167813],
  [0.03, -1.880793608151251],
  [1e-9, -5.997807015007686],
];

describe('the normal distribution', () => {
  test.each(PRINTED)('%d has the printed probability below it', (z, below) => {
    expect(lowerTail(z)).toBeCloseTo(below, 14);
    expect(upperTail(-z)).toBeCloseTo(below, 14);
    expect(lowerTail(-z)).toBeCloseTo(1 - below, 14);
  });

  test.each(FAR_OUT)('the tail above %d keeps its digits', (z, above) => {
    expect(upperTail(z) / above).toBeCloseTo(1, 12);
  });

  test.each(POINTS)('probability %d lies below the printed point', (p, z) => {
    expect(quantile(p)).toBeCloseTo(z, 13);
    expect(quantile(1 - p)).toBeCloseTo(-z, p < 1e-6 ? 6 : 13); // 1 - 1e-9 has lost digits before it arrives here
  });

  it('has its ends, and nothing beyond them', () => {
    expect([quantile(0), quantile(1), upperQuantile(0), upperQuantile(1)]).toEqual([-Infinity, Infinity, Infinity, -Infinity]);
    expect([upperTail(Infinity), upperTail(-Infinity), lowerTail(-Infinity)]).toEqual([0, 1, 0]);
    expect([quantile(-0.1), quantile(1.1), upperQuantile(NaN), upperTail(NaN)]).toEqual([NaN, NaN, NaN, NaN]);
  });

  it('is undone by its inverse from one end to the other', () => {
    fc.assert(
      fc.property(fc.double({ min: -37, max: 37, noNaN: true }), (z) => {
        const back = z < 0 ? quantile(lowerTail(z)) : upperQuantile(upperTail(z));
        expect(Math.abs(back - z)).toBeLessThan(1e-12);
      }),
    );
  });

  it('is continuous where the series hands over to the fraction', () => {
    expect(upperTail(2.5) - upperTail(2.5 + 1e-12)).toBeCloseTo(1.75e-14, 15);
  });
});
