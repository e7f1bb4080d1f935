/**
 * Which published chart a child is compared with, and which of its scores says that a value
 * cannot be true.
 */
import { ADULT_FROM_MONTHS } from '../age-bands.ts';
import { decimal, type Decimal } from '../decimal.ts';
import type { Position } from '../terminology.ts';
import { cdcMonths, whoMonths, type ExactAge } from './age.ts';
import { GROWTH_TABLES, type Body, type LmsTables, type Indicator, type TableId } from './tables.ts';
import {
  cdcExtendedBmiScale,
  cdcModifiedScale,
  cdcScale,
  whoRestrictedScale,
  whoScale,
  type Lms,
  type Scale,
  type Sex,
} from './z-score.ts';

/** How a length or height was taken, as far as charts tell them apart. */
export type Posture = Exclude<Position, 'sitting'>;

/** Under 24 months WHO's standard is used, from 24 months CDC's charts (CDC, growth chart programme). */
const CDC_FROM_MONTHS = 24;
/** The last day of WHO's 0 to 5 years tables; from the next day on its tables by month serve. */
const WHO_LAST_DAY = 1856;
/** WHO's tables hold lengths up to this day and heights after it. */
const WHO_LAST_LYING_DAY = 730;

/**
 * Tables that may serve, the one to be preferred first.
 *
 * The second of each pair serves only where the first was not supplied: CDC's infant tables under
 * 24 months, for which CDC itself recommends WHO; WHO's tables from 24 months (its weight-for-age
 * ends at 120 months). Weight for length or height is a chart of early childhood: CDC's goes by
 * size alone and is used for the same ages as WHO's here (2 to 5 years; from memory).
 */
const CHARTS: Readonly<Record<Indicator, Readonly<Record<'infant' | 'preschool' | 'older', readonly TableId[]>>>> = {
  weight: {
    infant: ['who-weight-for-age-0-5', 'cdc-weight-for-age-infant'],
    preschool: ['cdc-weight-for-age', 'who-weight-for-age-0-5'],
    older: ['cdc-weight-for-age', 'who-weight-for-age-5-10'],
  },
  height: {
    infant: ['who-height-for-age-0-5', 'cdc-length-for-age-infant'],
    preschool: ['cdc-stature-for-age', 'who-height-for-age-0-5'],
    older: ['cdc-stature-for-age', 'who-height-for-age-5-19'],
  },
  bmi: {
    infant: ['who-bmi-for-age-0-5'],
    preschool: ['cdc-bmi-for-age', 'who-bmi-for-age-0-5'],
    older: ['cdc-bmi-for-age', 'who-bmi-for-age-5-19'],
  },
  'weight-for-height': {
    infant: ['who-weight-for-length', 'cdc-weight-for-length'],
    preschool: ['cdc-weight-for-stature', 'who-weight-for-height'],
    older: [],
  },
};

/** Tables published for such an age, in order of preference; none from 20 years on. */
export function chartsFor(of: Indicator, { days, months }: ExactAge): readonly TableId[] {
  if (months >= ADULT_FROM_MONTHS) return [];
  return CHARTS[of][months < CDC_FROM_MONTHS ? 'infant' : days <= WHO_LAST_DAY ? 'preschool' : 'older'];
}

/** The first of the published tables that was supplied. */
export function suppliedChart(candidates: readonly TableId[], tables: LmsTables): TableId | undefined {
  return candidates.find((id) => tables[id] !== undefined);
}

/** Where on a table's axis a child of such an age stands; tables listed by size are entered by size. */
export function placeOf(table: TableId, age: ExactAge): number | undefined {
  const places = { 'cdc-months': cdcMonths(age), days: age.days, months: whoMonths(age), cm: undefined };
  return places[GROWTH_TABLES[table].axis];
}

/** Whether a chart is one of recumbent length or of standing height; undefined where neither plays a part. */
export function postureOf(table: TableId, age: ExactAge): Posture | undefined {
  switch (table) {
    case 'cdc-length-for-age-infant':
    case 'cdc-weight-for-length':
    case 'who-weight-for-length':
      return 'lying';
    case 'cdc-stature-for-age':
    case 'cdc-weight-for-stature':
    case 'who-weight-for-height':
    case 'who-height-for-age-5-19':
      return 'standing';
    case 'who-height-for-age-0-5':
      return age.days <= WHO_LAST_LYING_DAY ? 'lying' : 'standing';
    default:
      return undefined;
  }
}

/**
 * How much longer a child is lying than standing, in cm, on average: WHO fitted its standard with
 * it, and has it added or subtracted where a child was measured the other way.
 * Source: WHO Child Growth Standards 2006 (Acta Paediatrica 2006;Suppl 450:76-85); the wording of
 * the instruction is from memory.
 */
const LYING_EXCEEDS_STANDING = '0.7';

/** What is added, in cm, to a length or height before it is compared with a chart of the other kind. */
export function adjustment(chart: Posture | undefined, measured: Posture | undefined): Decimal | undefined {
  if (chart === undefined || measured === undefined || chart === measured) return undefined;
  return decimal(chart === 'lying' ? LYING_EXCEEDS_STANDING : `-${LYING_EXCEEDS_STANDING}`);
}

/** The scale of a chart's published z-scores. `place` is that of {@link placeOf}. */
export function scaleOf(table: TableId, lms: Lms, sex: Sex, place: number): Scale {
  if (table === 'cdc-bmi-for-age') return cdcExtendedBmiScale(lms, sex, place);
  const { body, of } = GROWTH_TABLES[table];
  if (body === 'cdc') return cdcScale(lms);
  return of === 'height' ? whoScale(lms) : whoRestrictedScale(lms);
}

/** The scale on which a body sets its cut-offs for implausible values. */
export function cutoffScaleOf(table: TableId, lms: Lms, sex: Sex, place: number): Scale {
  return GROWTH_TABLES[table].body === 'cdc' ? cdcModifiedScale(lms) : scaleOf(table, lms, sex, place);
}

export interface Cutoffs {
  /** A score equal to one of them is still plausible. */
  readonly low: number;
  readonly high: number;
  /** `z` is the published z-score, `modified-z` CDC's modified one. */
  readonly of: 'z' | 'modified-z';
  readonly source: string;
}

const WHO_FLAGS = 'WHO Child Growth Standards 2006, flags for implausible z-scores';
const CDC_FLAGS = 'CDC growth chart program, revision of November 2016, limits of biologically implausible values';

/**
 * Scores outside which a value is called biologically implausible. CDC says itself that such a
 * value is not necessarily wrong. WHO's limits as quoted in survey guidance; those of BMI from
 * memory.
 */
const CUTOFFS: Readonly<Record<Body, Readonly<Record<Indicator, readonly [low: number, high: number]>>>> = {
  who: { weight: [-6, 5], height: [-6, 6], 'weight-for-height': [-5, 5], bmi: [-5, 5] },
  cdc: { weight: [-5, 8], height: [-5, 4], 'weight-for-height': [-4, 8], bmi: [-4, 8] },
};

export function cutoffsOf(table: TableId): Cutoffs {
  const { body, of } = GROWTH_TABLES[table];
  const [low, high] = CUTOFFS[body][of];
  return body === 'cdc' ? { low, high, of: 'modified-z', source: CDC_FLAGS } : { low, high, of: 'z', source: WHO_FLAGS };
}
