/** Where CDC's categories of child BMI begin (CDC, Child and Teen BMI Categories); L, M and S invented. */
import { describe, expect, it } from 'vitest';
import { bmiBoundaries } from '../../../src/core/growth/bmi-boundaries.ts';

/** L 1 and S 0.1: the 5th percentile is 16.4485 % below the median, the 95th as much above it. */
const withMedian = (m: number) => ({ l: 1, m, s: 0.1 });

describe('the categories', () => {
  it('begin at the 5th, 85th and 95th percentile', () => {
    const { categories } = bmiBoundaries(withMedian(20), 18);
    expect(categories.map(({ from }) => from?.toFixed(4))).toEqual([undefined, '16.7103', '22.0729', '23.2897', '27.9476']);
    expect(categories.map(({ below }) => below?.toFixed(4))).toEqual(['16.7103', '22.0729', '23.2897', '27.9476', undefined]);
  });

  it('end with severe obesity from 120 % of the 95th percentile, or from 35 where that is less', () => {
    const severeFrom = (m: number) => bmiBoundaries(withMedian(m), 18).categories.at(-1)?.from;
    expect(severeFrom(25)).toBeCloseTo(1.2 * 25 * 1.16448536, 5);
    expect(severeFrom(25.1)).toBe(35);
  });

  it('come with the BMI as a percentage of the 95th percentile', () => {
    const { p95, percentOfP95 } = bmiBoundaries(withMedian(20), 1.3 * 20 * 1.1644853626951472);
    expect(p95).toBeCloseTo(23.2897, 4);
    expect(percentOfP95).toBeCloseTo(130, 10);
  });
});
