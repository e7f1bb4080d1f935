/**
 * The published growth tables this service understands, and how one row of them is found.
 *
 * The numbers themselves are no part of the service: an operator supplies the files
 * (`parse-tables.ts` reads them, `src/growth-tables.ts` loads the folder). What stands here is
 * which tables there are, what they are listed by, and how far each reaches.
 */
import type { Lms, Sex } from './z-score.ts';

/** Who published a table. */
export type Body = 'cdc' | 'who';

/** What is compared: kg, cm, kg/m2, or kg at one's length or height. */
export type Indicator = 'weight' | 'height' | 'bmi' | 'weight-for-height';

/**
 * What the rows are listed by. `cdc-months` are months with the half-month points of `cdcMonths`;
 * `days` and `months` are completed ones; `cm` is length or height.
 */
export type Axis = 'cdc-months' | 'days' | 'months' | 'cm';

interface TableDefinition {
  readonly body: Body;
  readonly of: Indicator;
  readonly axis: Axis;
  /** The reach of the published table; a file that holds less has lost rows on its way. */
  readonly from: number;
  readonly to: number;
  /** The largest distance between two published rows. */
  readonly step: number;
  readonly title: string;
}

const CDC = 'CDC growth charts 2000';
const WHO_2006 = 'WHO Child Growth Standards 2006';
const WHO_2007 = 'WHO Reference 2007';

/**
 * Sources: CDC/NCHS, Percentile Data Files with LMS Values; WHO Child Growth Standards 2006,
 * expanded tables by day and by 0.1 cm; WHO Reference 2007, tables by month. Reach and steps are
 * those of the published files.
 */
export const GROWTH_TABLES = {
  'cdc-weight-for-age-infant': row('cdc', 'weight', 'cdc-months', [0, 36], 1, `${CDC}, weight-for-age, birth to 36 months`),
  'cdc-length-for-age-infant': row('cdc', 'height', 'cdc-months', [0, 35.5], 1, `${CDC}, length-for-age, birth to 36 months`),
  'cdc-weight-for-length': row('cdc', 'weight-for-height', 'cm', [45, 103.5], 1, `${CDC}, weight-for-length`),
  'cdc-weight-for-age': row('cdc', 'weight', 'cdc-months', [24, 240], 1, `${CDC}, weight-for-age, 2 to 20 years`),
  'cdc-stature-for-age': row('cdc', 'height', 'cdc-months', [24, 240], 1, `${CDC}, stature-for-age, 2 to 20 years`),
  'cdc-bmi-for-age': row('cdc', 'bmi', 'cdc-months', [24, 240], 1, `${CDC}, BMI-for-age, 2 to 20 years`),
  'cdc-weight-for-stature': row('cdc', 'weight-for-height', 'cm', [77, 121.5], 1, `${CDC}, weight-for-stature`),
  'who-weight-for-age-0-5': row('who', 'weight', 'days', [0, 1856], 1, `${WHO_2006}, weight-for-age, 0 to 5 years`),
  'who-height-for-age-0-5': row('who', 'height', 'days', [0, 1856], 1, `${WHO_2006}, length/height-for-age, 0 to 5 years`),
  'who-bmi-for-age-0-5': row('who', 'bmi', 'days', [0, 1856], 1, `${WHO_2006}, BMI-for-age, 0 to 5 years`),
  'who-weight-for-length': row('who', 'weight-for-height', 'cm', [45, 110], 0.1, `${WHO_2006}, weight-for-length, 0 to 2 years`),
  'who-weight-for-height': row('who', 'weight-for-height', 'cm', [65, 120], 0.1, `${WHO_2006}, weight-for-height, 2 to 5 years`),
  'who-weight-for-age-5-10': row('who', 'weight', 'months', [61, 120], 1, `${WHO_2007}, weight-for-age, 5 to 10 years`),
  'who-height-for-age-5-19': row('who', 'height', 'months', [61, 228], 1, `${WHO_2007}, height-for-age, 5 to 19 years`),
  'who-bmi-for-age-5-19': row('who', 'bmi', 'months', [61, 228], 1, `${WHO_2007}, BMI-for-age, 5 to 19 years`),
} as const;

function row(body: Body, of: Indicator, axis: Axis, [from, to]: readonly [number, number], step: number, title: string): TableDefinition {
  return { body, of, axis, from, to, step, title };
}

export type TableId = keyof typeof GROWTH_TABLES;
export const TABLE_IDS = Object.keys(GROWTH_TABLES) as readonly TableId[];

export const SEXES = ['male', 'female'] as const satisfies readonly Sex[];

export interface LmsRow extends Lms {
  /** Days, months or cm, as the table's axis says. */
  readonly at: number;
}

/** Rows of one table, in rising order of `at`. */
export type LmsTable = Readonly<Record<Sex, readonly LmsRow[]>>;

export type LmsTables = Readonly<Partial<Record<TableId, LmsTable>>>;

/** The tables that an operator supplied, with a version that names their content. */
export interface GrowthTables {
  readonly version: string;
  readonly tables: LmsTables;
}

/**
 * L, M and S at a place of the axis, each interpolated linearly between two rows (CDC/NCHS, as
 * above; WHO does so between tenths of a centimetre, that from memory). A place that has a row
 * of its own gets that row; so do all completed days and months. Undefined beyond the table's ends.
 */
export function lmsAt(rows: readonly LmsRow[], at: number): Lms | undefined {
  const above = firstNotBelow(rows, at);
  const upper = rows[above];
  if (upper === undefined || upper.at === at) return upper;
  const lower = rows[above - 1];
  if (lower === undefined) return undefined;
  const share = (at - lower.at) / (upper.at - lower.at);
  const between = (low: number, high: number): number => low + share * (high - low);
  return { l: between(lower.l, upper.l), m: between(lower.m, upper.m), s: between(lower.s, upper.s) };
}

/** Index of the first row at or beyond a place, by halving: rows are in rising order. */
function firstNotBelow(rows: readonly LmsRow[], at: number): number {
  let [low, high] = [0, rows.length];
  while (low < high) {
    const middle = (low + high) >>> 1;
    if ((rows[middle] as LmsRow).at < at) low = middle + 1;
    else high = middle;
  }
  return low;
}
