/** The LMS method and its published variants, on invented numbers; worked examples stand in tests/published. */
import fc from 'fast-check';
import { describe, expect, it, test } from 'vitest';
import {
  CDC_LARGEST_BMI_Z,
  cdcExtendedBmiScale,
  cdcModifiedScale,
  cdcScale,
  extendedBmiSigma,
  percentileOf,
  whoRestrictedScale,
  whoScale,
  zOfPercentile,
  type Lms,
  type Scale,
} from '../../../src/core/growth/z-score.ts';

/** Any L, M and S that give a value at 3 SD either way, as every published row nearly does. */
const lms = fc
  .record({
    l: fc.oneof(fc.double({ min: -4, max: 3, noNaN: true }), fc.double({ min: -0.02, max: 0.02, noNaN: true }), fc.constantFrom(0, 1)),
    m: fc.double({ min: 1, max: 200, noNaN: true }),
    s: fc.double({ min: 0.02, max: 0.2, noNaN: true }),
  })
  .filter(({ l, s }) => Math.abs(l * s * 3) < 0.95);

const SCALES: readonly (readonly [name: string, scale: (lms: Lms) => Scale, zRange: readonly [number, number]])[] = [
  ['CDC', cdcScale, [-3, 3]],
  ['WHO, length and height', whoScale, [-3, 3]],
  ['WHO, restricted', whoRestrictedScale, [-8, 8]],
  ['CDC, modified', cdcModifiedScale, [-8, 10]],
  ['CDC, extended BMI of boys', (one) => cdcExtendedBmiScale(one, 'male', 120.5), [-3, 8]],
  ['CDC, extended BMI of girls', (one) => cdcExtendedBmiScale(one, 'female', 24.5), [-3, 8]],
];

describe.each(SCALES)('the scale of %s', (_name, scaleOf, [min, max]) => {
  it('gives back the score of the value that has it', () => {
    fc.assert(
      fc.property(lms, fc.double({ min, max, noNaN: true }), (one, z) => {
        const { score, value } = scaleOf(one);
        expect(Math.abs(score(value(z)) - z)).toBeLessThan(1e-8);
      }),
    );
  });

  it('puts the greater value higher', () => {
    fc.assert(
      fc.property(
        lms,
        fc.double({ min, max: max - 0.01, noNaN: true }),
        fc.double({ min: 0.001, max: 0.01, noNaN: true }),
        (one, z, more) => {
          const { score, value } = scaleOf(one);
          expect(value(z + more)).toBeGreaterThan(value(z));
          expect(score(value(z + more))).toBeGreaterThan(score(value(z)));
        },
      ),
    );
  });

  it('puts the median at 0', () => {
    fc.assert(
      fc.property(lms, (one) => {
        expect(Math.abs(scaleOf(one).score(one.m))).toBeLessThan(1e-12);
      }),
    );
  });
});

describe('the LMS z-score', () => {
  test.each([
    ['L 1: a plain z-score', { l: 1, m: 50, s: 0.04 }, 54, 2],
    ['L -1', { l: -1, m: 10, s: 0.1 }, 12.5, 2],
    ['L 2', { l: 2, m: 10, s: 0.125 }, 5, -3],
    ['L 0: the logarithm', { l: 0, m: 10, s: 0.1 }, 10 * Math.exp(0.2), 2],
  ])('with %s', (_which, one, value, z) => {
    expect(cdcScale(one).score(value)).toBeCloseTo(z, 12);
    expect(whoScale(one).score(value)).toBeCloseTo(z, 12);
    expect(cdcScale(one).value(z)).toBeCloseTo(value, 12);
  });

  it('of CDC is the logarithm where L is smaller than 0.01 either way, and only there (CDC growth chart program)', () => {
    const [value, m, s] = [15, 10, 0.1];
    const logarithm = Math.log(value / m) / s;
    for (const l of [0.0099, -0.0099, 0.003]) expect(cdcScale({ l, m, s }).score(value)).toBe(logarithm);
    for (const l of [0.01, -0.01]) expect(Math.abs(cdcScale({ l, m, s }).score(value) - logarithm)).toBeGreaterThan(0.005);
  });

  it('of WHO keeps its form and its digits however small L is', () => {
    const { score } = whoScale({ l: 1e-12, m: 10, s: 0.1 });
    expect(score(15)).toBeCloseTo(Math.log(1.5) / 0.1, 9);
    expect(whoScale({ l: 0.0099, m: 10, s: 0.1 }).score(15)).toBeCloseTo((1.5 ** 0.0099 - 1) / (0.0099 * 0.1), 9);
  });

  it('has no value where the power would be of a negative number', () => {
    expect(cdcScale({ l: -4, m: 20, s: 0.1 }).value(2.5)).toBe(Infinity);
    expect(cdcScale({ l: 4, m: 20, s: 0.1 }).value(-2.5)).toBe(0);
  });
});

describe('the restricted z-score of WHO', () => {
  const invented = { l: -1, m: 10, s: 0.1 };
  const { score, value } = whoRestrictedScale(invented);

  it('is the plain one up to 3 SD either way', () => {
    for (const z of [-3, -2.5, 0, 2.5, 3]) expect(value(z)).toBe(whoScale(invented).value(z));
  });

  it('goes on in steps of the last one: 12.5 at 2 SD and 14.286 at 3, so 16.071 at 4', () => {
    expect(value(2)).toBeCloseTo(12.5, 12);
    expect(value(3)).toBeCloseTo(100 / 7, 12);
    expect(value(4)).toBeCloseTo(100 / 7 + (100 / 7 - 12.5), 12);
    expect(score(100 / 7 + 2 * (100 / 7 - 12.5))).toBeCloseTo(5, 12);
  });

  it('does so downwards: 8.333 at -2 SD and 7.692 at -3, so 7.051 at -4', () => {
    expect(value(-4)).toBeCloseTo(100 / 13 - (100 / 12 - 100 / 13), 12);
    expect(score(100 / 13 - 3 * (100 / 12 - 100 / 13))).toBeCloseTo(-6, 12);
  });
});

describe('the modified z-score of CDC', () => {
  it('is linear on either side of the median, in half the distance to 2 SD there', () => {
    const { score } = cdcModifiedScale({ l: -1, m: 10, s: 0.1 }); // 12.5 at 2 SD, 8.333 at -2
    expect([10, 12.5, 15, 20].map(score)).toEqual([0, 2, 4, 8]);
    expect(score(25 / 3)).toBeCloseTo(-2, 12);
    expect(score(20 / 3)).toBeCloseTo(-4, 12);
  });
});

describe('the extended BMI z-score of CDC', () => {
  const invented = { l: -2, m: 16, s: 0.1 };
  const plain = cdcScale(invented);
  const { score, value } = cdcExtendedBmiScale(invented, 'male', 96.5);
  const p95 = plain.value(zOfPercentile(95));
  const sigma = extendedBmiSigma('male', 96.5);

  it('is the plain one up to the 95th percentile', () => {
    for (const bmi of [12, 16, 18, p95]) expect(score(bmi)).toBe(plain.score(bmi));
  });

  it('joins there without a step', () => {
    expect(score(p95 + 1e-9) - score(p95)).toBeLessThan(1e-8);
  });

  it.each([
    [0, 95],
    [1, 98.41344746068543],
    [2, 99.77249868051821],
    [3, 99.98650101968369],
  ])('%d sigma above it is percentile %d: 90 and ten times the normal distribution', (sigmas, percentile) => {
    expect(percentileOf(score(p95 + sigmas * sigma))).toBeCloseTo(percentile, 10);
  });

  it('never exceeds 8.21, which CDC gives a percentile that is 100 in double precision', () => {
    expect(CDC_LARGEST_BMI_Z).toBe(8.21);
    expect(90 + (10 * percentileOf(8.3)) / 100).toBe(100);
    expect(score(p95 + 8.3 * sigma)).toBe(8.21);
    expect(score(p95 + 100 * sigma)).toBe(8.21);
    expect(score(value(8.2))).toBeCloseTo(8.2, 8);
  });

  it('spreads by sex and age: sigma of a boy of 10 is 4.6588, of a girl 4.4354', () => {
    expect(extendedBmiSigma('male', 120)).toBeCloseTo(0.3728 + 5.196 - 0.91, 12);
    expect(extendedBmiSigma('female', 120)).toBeCloseTo(0.8334 + 3.712 - 0.11, 12);
  });
});

describe('percentiles', () => {
  test.each([
    [0, 50],
    [1, 84.1344746068543],
    [-1.6448536269514722, 5],
  ])('z %d is the one below which %d percent lie', (z, percentile) => {
    expect(percentileOf(z)).toBeCloseTo(percentile, 11);
    expect(zOfPercentile(percentile)).toBeCloseTo(z, 11);
  });
});
