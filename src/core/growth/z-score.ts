/**
 * z-scores by the LMS method, and the values that have a given z-score.
 *
 * L, M and S (skewness, median, coefficient of variation) describe one age, or one length, and
 * one sex. Powers and logarithms need binary floating point; nothing is rounded here.
 *
 * Every scale rises with the value, for positive values, and its two functions undo each other (up
 * to the largest z-score that CDC gives). Source of the method: Cole and Green, Statistics in Medicine 1992;11:1305-1319.
 */
import { lowerTail, quantile, upperQuantile, upperTail } from './normal.ts';

export interface Lms {
  readonly l: number;
  readonly m: number;
  readonly s: number;
}

/** A scale on which a value is placed: in kg, cm or kg/m2 on one side, a score on the other. */
export interface Scale {
  readonly score: (value: number) => number;
  readonly value: (score: number) => number;
}

/**
 * Below this size of L the logarithm is used, the limit of the power as L goes to 0. CDC's own
 * program does so early; its percentile columns do not, which differs by 0.0005 z at the 97th.
 * Source: CDC growth chart program.
 */
const CDC_LOGARITHM_BELOW = 0.01;
/** Here the two differ in the last digit only. */
const WHO_LOGARITHM_BELOW = 1e-12;

function lmsZ({ l, m, s }: Lms, value: number, logarithmBelow: number): number {
  const logarithm = Math.log(value / m);
  // expm1 keeps the digits that (value/m)^l - 1 loses when L is near 0, as in some rows of WHO
  return Math.abs(l) < logarithmBelow ? logarithm / s : Math.expm1(l * logarithm) / (l * s);
}

/** Where no value lies as far out as `z`: 0 below, Infinity above. */
function lmsValue({ l, m, s }: Lms, z: number, logarithmBelow: number): number {
  if (Math.abs(l) < logarithmBelow) return m * Math.exp(s * z);
  const power = l * s * z;
  if (power <= -1) return l > 0 ? 0 : Infinity;
  return m * Math.exp(Math.log1p(power) / l);
}

/** CDC's z-score. Source: CDC/NCHS, Percentile Data Files with LMS Values (2000 growth charts). */
export function cdcScale(lms: Lms): Scale {
  return {
    score: (value) => lmsZ(lms, value, CDC_LOGARITHM_BELOW),
    value: (z) => lmsValue(lms, z, CDC_LOGARITHM_BELOW),
  };
}

/** WHO's z-score for length and height (L is 1 there). Source: WHO Child Growth Standards 2006. */
export function whoScale(lms: Lms): Scale {
  return {
    score: (value) => lmsZ(lms, value, WHO_LOGARITHM_BELOW),
    value: (z) => lmsValue(lms, z, WHO_LOGARITHM_BELOW),
  };
}

/** From here on WHO counts in steps of one fixed size. */
const WHO_RESTRICTED_FROM = 3;

/**
 * WHO's z-score for weight, weight-for-length and BMI: plain LMS up to 3 SD either way, beyond in
 * steps as large as the one from 2 to 3 SD on that side, since data so far out are too few to
 * carry a skewness.
 * Source: WHO Child Growth Standards: Methods and development (2006); WHO Reference 2007.
 */
export function whoRestrictedScale(lms: Lms): Scale {
  const plain = whoScale(lms);
  const edge = (side: 1 | -1) => {
    const value = plain.value(side * WHO_RESTRICTED_FROM);
    return { value, step: Math.abs(value - plain.value(side * (WHO_RESTRICTED_FROM - 1))) };
  };
  const [below, above] = [edge(-1), edge(1)];
  return {
    score: (value) => {
      if (value > above.value) return WHO_RESTRICTED_FROM + (value - above.value) / above.step;
      if (value < below.value) return -WHO_RESTRICTED_FROM + (value - below.value) / below.step;
      return plain.score(value);
    },
    value: (z) => {
      if (z > WHO_RESTRICTED_FROM) return above.value + (z - WHO_RESTRICTED_FROM) * above.step;
      if (z < -WHO_RESTRICTED_FROM) return below.value + (z + WHO_RESTRICTED_FROM) * below.step;
      return plain.value(z);
    },
  };
}

/**
 * CDC's modified z-score: the distance from the median in units of half the distance from the
 * median to z = 2, or below it to z = -2. It has no upper bound where plain z does, so it is what
 * CDC's cut-offs for implausible values are set in.
 * Source: CDC, Modified z-scores in the CDC growth charts (2016).
 */
export function cdcModifiedScale(lms: Lms): Scale {
  const plain = cdcScale(lms);
  const above = (plain.value(2) - lms.m) / 2;
  const below = (lms.m - plain.value(-2)) / 2;
  return {
    score: (value) => (value - lms.m) / (value > lms.m ? above : below),
    value: (score) => lms.m + score * (score > 0 ? above : below),
  };
}

export type Sex = 'male' | 'female';

/** CDC's z-score for a percentile that is 100 in double precision. Source: CDC (2022), as below. */
export const CDC_LARGEST_BMI_Z = 8.21;

/** Share of the reference children above the 95th percentile: the part that is modelled anew. */
const ABOVE_95TH = 0.05;
const ABOVE_90TH = 0.1;

/** Spread of BMI above the 95th percentile; coefficients of 1, age and age squared, age in years. */
const SIGMA: Readonly<Record<Sex, readonly [number, number, number]>> = {
  male: [0.3728, 0.5196, -0.0091],
  female: [0.8334, 0.3712, -0.0011],
};

/** `months` is the age under which the CDC tables list the child (`cdcMonths`). */
export function extendedBmiSigma(sex: Sex, months: number): number {
  const years = months / 12;
  const [constant, linear, square] = SIGMA[sex];
  return constant + linear * years + square * years * years;
}

/**
 * CDC's z-score for BMI: plain LMS up to the 95th percentile, a half-normal distribution above it:
 * percentile = 90 + 10 Phi((BMI - P95) / sigma). Calculated in the tail above, which keeps digits
 * that the percentile itself no longer has; never more than {@link CDC_LARGEST_BMI_Z}.
 * Source: CDC, Extended BMI-for-age growth charts (2022); Wei et al., Annals of Human Biology
 * 2020;47:514-521.
 */
export function cdcExtendedBmiScale(lms: Lms, sex: Sex, months: number): Scale {
  const plain = cdcScale(lms);
  const z95 = upperQuantile(ABOVE_95TH);
  const p95 = plain.value(z95);
  const sigma = extendedBmiSigma(sex, months);
  return {
    score: (bmi) => {
      if (!(bmi > p95)) return plain.score(bmi);
      return Math.min(upperQuantile(ABOVE_90TH * upperTail((bmi - p95) / sigma)), CDC_LARGEST_BMI_Z);
    },
    value: (z) => (z > z95 ? p95 + sigma * upperQuantile(upperTail(z) / ABOVE_90TH) : plain.value(z)),
  };
}

/** Percentile of a z-score, 0 to 100. */
export function percentileOf(z: number): number {
  return 100 * lowerTail(z);
}

/** z-score of a percentile; infinite at 0 and 100, NaN outside. */
export function zOfPercentile(percentile: number): number {
  return quantile(percentile / 100);
}
