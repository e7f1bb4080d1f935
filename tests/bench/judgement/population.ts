/**
 * Bodies to begin with: heights and BMI of measured adults, as figures.
 *
 * Source: NHANES 2017-2018 (CDC/NCHS), 2,563 adults of 20 years and over who are not pregnant and
 * were weighed and measured, unweighted, computed from the half of the survey with odd numbers.
 * The share above BMI 60 (0.27 %) is as in the survey.
 */
import { seededRandom, type Random } from './random.ts';

export type Sex = 'male' | 'female';

export interface AdultBody {
  readonly sex: Sex;
  readonly ageYears: number;
  readonly heightCm: number;
  readonly weightKg: number;
}

interface SexFigures {
  /** Mean height at 52 years, its fall a year of age, SD around that line, cm. */
  readonly height: { readonly mean: number; readonly aYear: number; readonly sd: number };
  /** Percentiles of BMI: [share of people below, kg/m2]. */
  readonly bmi: readonly (readonly [share: number, bmi: number])[];
}

const FIGURES: Readonly<Record<Sex, SexFigures>> = {
  male: {
    height: { mean: 173.4, aYear: -0.096, sd: 7.65 },
    bmi: percentiles([15.5, 18.0, 20.8, 22.3, 24.9, 28.3, 32.9, 38.2, 42.2, 50.4, 60.6]),
  },
  female: {
    height: { mean: 159.2, aYear: -0.097, sd: 6.84 },
    bmi: percentiles([15.1, 17.8, 19.8, 21.4, 24.6, 28.7, 34.2, 41.4, 45.6, 54.2, 67.1]),
  },
};
const MEAN_AGE = 52;

function percentiles(values: readonly number[]): [number, number][] {
  const shares = [0.001, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 0.999];
  return shares.map((share, index) => [share, values[index] as number]);
}

/** The value at `x` on the straight lines between points that are sorted by x; the end points beyond them. */
export function interpolate(points: readonly (readonly [x: number, y: number])[], x: number): number {
  const after = points.findIndex(([at]) => at >= x);
  if (after === 0) return (points[0] as readonly [number, number])[1];
  const [x2, y2] = points.at(after) as readonly [number, number]; // -1 is the last point
  if (after < 0) return y2;
  const [x1, y1] = points[after - 1] as readonly [number, number];
  return y1 + ((y2 - y1) * (x - x1)) / (x2 - x1);
}

/** What part of the distribution of BMI a body is drawn from. */
export type Part = 'all' | 'middle' | 'extremes';

/** The heaviest and the lightest of each sex: so large a share of people at either end. */
export const EXTREME_SHARE = 0.01;

function drawShare(part: Part, random: Random): number {
  const draw = random.uniform();
  if (part === 'all') return draw;
  if (part === 'middle') return EXTREME_SHARE + (1 - 2 * EXTREME_SHARE) * draw;
  return draw < 0.5 ? 2 * draw * EXTREME_SHARE : 1 - (2 - 2 * draw) * EXTREME_SHARE;
}

/** A body of the survey's kind: BMI by inverting its percentiles, independent of height (r is 0.0 to 0.1 there). */
export function inventAdult(random: Random, [youngest, oldest]: readonly [number, number], part: Part = 'all'): AdultBody {
  const sex = random.chance(0.5) ? 'male' : 'female';
  const ageYears = random.between(youngest, oldest);
  const { height, bmi } = FIGURES[sex];
  const tallest = 3 * height.sd;
  const offset = Math.max(-tallest, Math.min(tallest, random.normal(0, height.sd)));
  const heightCm = height.mean + height.aYear * (ageYears - MEAN_AGE) + offset;
  return { sex, ageYears, heightCm, weightKg: interpolate(bmi, drawShare(part, random)) * (heightCm / 100) ** 2 };
}

/** The generator of one person: series of different groups and numbers share nothing. */
export function randomOf(seed: number, group: string, number: number): Random {
  return seededRandom(seed, group, number);
}
