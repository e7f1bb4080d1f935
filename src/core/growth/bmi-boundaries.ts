/**
 * CDC's categories of child BMI as figures: where each begins at one age and sex. No category is
 * given to a child here.
 */
import { upperQuantile } from './normal.ts';
import { cdcScale, type Lms } from './z-score.ts';

/** A published category with the BMI, kg/m2, from which it reaches and at which the next begins. */
export interface BmiCategoryBoundary {
  readonly category: 'Underweight' | 'Healthy weight' | 'Overweight' | 'Obesity' | 'Severe obesity';
  readonly from?: number;
  readonly below?: number;
}

export interface BmiBoundaries {
  readonly p95: number;
  /** The BMI as a percentage of the 95th percentile, not rounded. */
  readonly percentOfP95: number;
  readonly categories: readonly BmiCategoryBoundary[];
}

const SEVERE_FROM_SHARE_OF_P95 = 1.2;
const SEVERE_FROM_BMI = 35;

/**
 * Below the 5th percentile, from it, from the 85th, from the 95th, and from 120 % of the 95th or
 * 35 kg/m2, whichever is less.
 * Source: CDC, Child and Teen BMI Categories.
 */
export function bmiBoundaries(lms: Lms, bmi: number): BmiBoundaries {
  const [p5, p85, p95] = [0.95, 0.15, 0.05].map((above) => cdcScale(lms).value(upperQuantile(above))) as [number, number, number];
  const severe = Math.min(SEVERE_FROM_SHARE_OF_P95 * p95, SEVERE_FROM_BMI);
  return {
    p95,
    percentOfP95: (100 * bmi) / p95,
    categories: [
      { category: 'Underweight', below: p5 },
      { category: 'Healthy weight', from: p5, below: p85 },
      { category: 'Overweight', from: p85, below: p95 },
      { category: 'Obesity', from: p95, below: severe },
      { category: 'Severe obesity', from: severe },
    ],
  };
}
