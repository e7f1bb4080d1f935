/**
 * One weight, length or height, or BMI of a child against the growth charts: START HERE.
 *
 * Says how far from the median a value lies and whether a published cut-off calls it implausible.
 * It is arithmetic on tables, no diagnosis; what follows from it is the policy's business. The
 * input is never altered: an adjustment for the position is made for the comparison alone, and
 * told. Preterm children are compared uncorrected.
 */
import { add, toText, type Decimal } from '../decimal.ts';
import { exactAgeAt, type ExactAge } from './age.ts';
import { bmiBoundaries, type BmiBoundaries } from './bmi-boundaries.ts';
import {
  adjustment,
  chartsFor,
  cutoffScaleOf,
  cutoffsOf,
  placeOf,
  postureOf,
  scaleOf,
  suppliedChart,
  type Cutoffs,
  type Posture,
} from './charts.ts';
import { GROWTH_TABLES, lmsAt, type GrowthTables, type TableId } from './tables.ts';
import { cdcModifiedScale, percentileOf, type Lms, type Sex } from './z-score.ts';

/** Who was measured: the facts of `Patient` that charts need. */
export interface Child {
  readonly sex?: Sex | 'other' | 'unknown' | undefined;
  /** FHIR date. */
  readonly birthDate?: string | undefined;
}

/** What is asked about; a position that is not known is taken to be the chart's own. */
export type Question =
  | { readonly of: 'weight' }
  | { readonly of: 'height'; readonly position?: Posture | undefined }
  | { readonly of: 'bmi' }
  | { readonly of: 'weight-for-height'; readonly cm: Decimal; readonly position?: Posture | undefined };

/** In kg, cm or kg/m2; `weight-for-height` has a value in kg. */
export type Measure = Question & { readonly value: Decimal };

/**
 * `no-tables`: none that would serve was supplied. `outside-table`: no published table reaches
 * this age or size, or the value is not greater than 0.
 */
export type NotAssessedReason = 'no-tables' | 'sex-unknown' | 'age-unknown' | 'outside-table';

export interface NotAssessed {
  readonly outcome: 'not-assessed';
  readonly reason: NotAssessedReason;
}

/** The chart that applied, and how the measurement was brought to it. */
export interface Comparison {
  readonly table: TableId;
  /** The chart's published name. */
  readonly title: string;
  /** True when the body that is preferred at this age was not supplied, and the other one serves. */
  readonly isSecondChoice?: true;
  readonly tablesVersion: string;
  readonly age: ExactAge;
  /** Whether the chart is one of lengths or of heights, where that plays a part. */
  readonly chartPosition?: Posture;
  /** What was added, in cm, to the length or height before it was compared: "0.7" or "-0.7". */
  readonly adjustedBy?: string;
  /** True when the position was not known and the chart's own was assumed. */
  readonly positionAssumed?: true;
  readonly cutoffs: Cutoffs;
}

/** Scores and percentile are not rounded: {@link roundedText} does that, once. */
export interface Assessed extends Comparison {
  readonly outcome: 'assessed';
  readonly z: number;
  /** 0 to 100. */
  readonly percentile: number;
  /** CDC charts only. */
  readonly modifiedZ?: number;
  /** The side on which the value lies outside the published cut-offs, if it does. */
  readonly implausible?: 'low' | 'high';
  /** CDC's figures for BMI, 2 to 19 years. */
  readonly bmi?: BmiBoundaries;
}

export type Assessment = Assessed | NotAssessed;

/** The values that the published cut-offs leave, ends included, in the unit of the measure. */
export interface PlausibleRange extends Comparison {
  readonly outcome: 'range';
  readonly low: number;
  readonly high: number;
}

/** A value on a limit stays inside it although a power of it misses in the sixteenth digit. */
const BINARY_SLACK = 1e-9;

/** `atMs` is the instant of measuring. */
export function assessGrowth(child: Child, measure: Measure, atMs: number, growthTables: GrowthTables | undefined): Assessment {
  const found = findChart(child, measure, atMs, growthTables);
  if (found.outcome === 'not-assessed') return found;
  const { comparison, lms, sex, place, added } = found;
  const value = toNumber(measure.of === 'height' && added !== undefined ? add(measure.value, added) : measure.value);
  if (!(value > 0)) return notAssessed('outside-table');
  const { table, cutoffs } = comparison;
  const z = scaleOf(table, lms, sex, place).score(value);
  const score = cutoffScaleOf(table, lms, sex, place).score(value);
  const side = score < cutoffs.low - BINARY_SLACK ? 'low' : score > cutoffs.high + BINARY_SLACK ? 'high' : undefined;
  return {
    outcome: 'assessed',
    ...comparison,
    z,
    percentile: percentileOf(z),
    ...(GROWTH_TABLES[table].body === 'cdc' && { modifiedZ: cdcModifiedScale(lms).score(value) }),
    ...(side !== undefined && { implausible: side }),
    ...(table === 'cdc-bmi-for-age' && { bmi: bmiBoundaries(lms, value) }),
  };
}

/**
 * The lowest and the highest value that the cut-offs leave, as it would be measured: for a child
 * measured the other way than the chart's, the adjustment is taken out again.
 */
export function plausibleRange(
  child: Child,
  question: Question,
  atMs: number,
  growthTables: GrowthTables | undefined,
): PlausibleRange | NotAssessed {
  const found = findChart(child, question, atMs, growthTables);
  if (found.outcome === 'not-assessed') return found;
  const { comparison, lms, sex, place, added } = found;
  const { value } = cutoffScaleOf(comparison.table, lms, sex, place);
  const shift = question.of === 'height' && added !== undefined ? toNumber(added) : 0;
  const { low, high } = comparison.cutoffs;
  return { outcome: 'range', ...comparison, low: value(low) - shift, high: value(high) - shift };
}

/** Ends of a range for a message, rounded inwards, so that every value in it is plausible. */
export function rangeTexts({ low, high }: Pick<PlausibleRange, 'low' | 'high'>, decimals: number): readonly [low: string, high: string] {
  const unit = 10 ** decimals;
  const [up, down] = [Math.ceil(low * unit - BINARY_SLACK) / unit, Math.floor(high * unit + BINARY_SLACK) / unit];
  return [up.toFixed(decimals), down.toFixed(decimals)];
}

/** A score or percentile with so many decimals, rounded once, halves away from zero; no "-0.00". */
export function roundedText(value: number, decimals: number): string {
  const text = value.toFixed(decimals);
  return Number(text) === 0 ? text.replace('-', '') : text;
}

interface FoundChart {
  readonly outcome: 'found';
  readonly comparison: Comparison;
  readonly lms: Lms;
  readonly sex: Sex;
  readonly place: number;
  readonly added: Decimal | undefined;
}

function findChart(child: Child, question: Question, atMs: number, growthTables: GrowthTables | undefined): FoundChart | NotAssessed {
  if (growthTables === undefined) return notAssessed('no-tables');
  const { sex } = child;
  if (sex !== 'male' && sex !== 'female') return notAssessed('sex-unknown');
  const age = exactAgeAt(child.birthDate, atMs);
  if (age === undefined) return notAssessed('age-unknown');
  const candidates = chartsFor(question.of, age);
  if (candidates.length === 0) return notAssessed('outside-table');
  const table = suppliedChart(candidates, growthTables.tables);
  const rows = table && growthTables.tables[table]?.[sex];
  if (table === undefined || rows === undefined) return notAssessed('no-tables');

  const chartPosition = postureOf(table, age);
  const measured = 'position' in question ? question.position : undefined;
  const added = adjustment(chartPosition, measured);
  const size = question.of === 'weight-for-height' ? toNumber(added ? add(question.cm, added) : question.cm) : NaN;
  const place = placeOf(table, age) ?? size;
  const lms = lmsAt(rows, place);
  if (lms === undefined) return notAssessed('outside-table');
  const comparison: Comparison = {
    table,
    title: GROWTH_TABLES[table].title,
    ...(table !== candidates[0] && { isSecondChoice: true as const }),
    tablesVersion: growthTables.version,
    age,
    ...(chartPosition !== undefined && { chartPosition }),
    ...(added !== undefined && { adjustedBy: toText(added) }),
    ...(chartPosition !== undefined && measured === undefined && { positionAssumed: true as const }),
    cutoffs: cutoffsOf(table),
  };
  return { outcome: 'found', comparison, lms, sex, place, added };
}

function notAssessed(reason: NotAssessedReason): NotAssessed {
  return { outcome: 'not-assessed', reason };
}

/** Into binary floating point, where the powers of the LMS method are; from here on nothing is exact. */
function toNumber(value: Decimal): number {
  return Number(toText(value));
}
