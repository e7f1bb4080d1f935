/**
 * Published thresholds of clinically significant weight change, as data. A change that reaches
 * one is told to the clinical team; it never holds a reading back.
 *
 * Days between two weighings are the elapsed time rounded to whole days, so that a weighing at
 * 8:00 and one at 9:30 the next morning are one day apart.
 *
 * A window of weeks, months or a year counts the longest span that it can be in the calendar:
 * 7, 31 (one month), 92 (three), 184 (six) and 366 days. So a weight of the same day of the month
 * always counts, whichever months lie between. The papers do not say how long a month is; the
 * long-term care rule speaks of 30 and 180 days and is taken at its word.
 */
import type { MassUnit } from '../quantity.ts';

export type ChangeFamily = 'long-term-care' | 'glim' | 'academy-aspen' | 'heart-failure' | 'newborn';

/** How much: percent of the old weight, or a mass as it is published. Decimal texts. */
export type ChangeAmount = { readonly percent: string } | { readonly mass: string; readonly unit: MassUnit };

/** Which old weight the current one is compared with. */
export type OldWeight =
  /** The one nearest to so many days before, at most `slackDays` off; of two equally near ones the later. */
  | { readonly kind: 'closest'; readonly days: number; readonly slackDays: number }
  /** Any from more than `overDays` to `throughDays` before: the one with the greatest change. */
  | { readonly kind: 'any'; readonly overDays: number; readonly throughDays: number }
  /** The birth weight, for a current weight up to a completed age in days. */
  | { readonly kind: 'birth'; readonly throughAgeDays: number };

export interface ChangeThreshold {
  /** kebab-case, permanent, never reused. */
  readonly id: string;
  readonly family: ChangeFamily;
  readonly title: string;
  readonly direction: 'loss' | 'gain';
  readonly amount: ChangeAmount;
  /** Does a change of exactly this amount count? As published. */
  readonly edge: 'at-least' | 'more-than';
  readonly oldWeight: OldWeight;
  readonly concerns: 'adult' | 'newborn';
  readonly source: string;
}

/** Whom each family is written for, beyond age: what a weight alone does not say. */
export const CHANGE_FAMILIES: Readonly<Record<ChangeFamily, string>> = {
  'long-term-care': 'residents of long-term care',
  glim: 'adults at nutritional risk by a screening tool; one criterion of several',
  'academy-aspen': 'adults; one characteristic of several, two make the diagnosis',
  'heart-failure': 'people with heart failure who weigh themselves every morning',
  newborn: 'breastfed newborns',
};

const WEEK = 7;
const MONTH = 31;
const THREE_MONTHS = 92;
const SIX_MONTHS = 184;
const YEAR = 366;
/** "Beyond 6 months" has no published end: common practice, no source. */
const TWO_YEARS = 731;
/** How far off "closest to 30 days before" may be is not published: common practice, no source. */
const SLACK_OF_30_DAYS = 10;
/** The same for "closest to 180 days before": common practice, no source. */
const SLACK_OF_180_DAYS = 30;

const within = (throughDays: number): OldWeight => ({ kind: 'any', overDays: 0, throughDays });

const RAI = "CMS, Long-Term Care Facility RAI User's Manual, items K0200, K0300 and K0310";
const GLIM = 'GLIM criteria 2019, table 3 (Cederholm, Jensen et al., J Cachexia Sarcopenia Muscle 2019;10:207-217)';
const ASPEN = 'Academy/ASPEN consensus 2012, severe malnutrition (White et al., J Acad Nutr Diet 2012;112:730-738)';
const HEART = 'patient instructions of several US health systems ("more than 2 to 3 lb in a day or 5 lb in a week"), lower end taken';
const NOEL_WEISS = 'Noel-Weiss et al., Open Med 2008;2(4):e99-e110: 7 % is the most that four guidelines allow';
const FLAHERMAN = 'Flaherman et al., Pediatrics 2015;135:e16-e23: 10 % or more of birth weight lost';

const longTermCare = (direction: 'loss' | 'gain', percent: string, days: number, slackDays: number): ChangeThreshold => ({
  id: `long-term-care-${direction}-${days}-days`,
  family: 'long-term-care',
  title: `${percent} % or more ${direction === 'loss' ? 'lost' : 'gained'} in ${days} days`,
  direction,
  amount: { percent },
  edge: 'at-least',
  oldWeight: { kind: 'closest', days, slackDays },
  concerns: 'adult',
  source: RAI,
});

const moreLost = (family: 'glim' | 'academy-aspen', percent: string, [span, oldWeight]: readonly [string, OldWeight]): ChangeThreshold => ({
  id: `${family}-loss-${span.replaceAll(' ', '-')}`,
  family,
  title: `more than ${percent} % lost ${span}`,
  direction: 'loss',
  amount: { percent },
  edge: 'more-than',
  oldWeight,
  concerns: 'adult',
  source: family === 'glim' ? GLIM : ASPEN,
});

const heartFailureGain = (mass: string, span: string, throughDays: number): ChangeThreshold => ({
  id: `heart-failure-gain-${span.replaceAll(' ', '-')}`,
  family: 'heart-failure',
  title: `more than ${mass} lb gained ${span}`,
  direction: 'gain',
  amount: { mass, unit: '[lb_av]' },
  edge: 'more-than',
  oldWeight: within(throughDays),
  concerns: 'adult',
  source: HEART,
});

const newbornLoss = (percent: string, edge: ChangeThreshold['edge'], source: string): ChangeThreshold => ({
  id: `newborn-loss-${percent}-percent`,
  family: 'newborn',
  title: `${edge === 'more-than' ? `more than ${percent} %` : `${percent} % or more`} of birth weight lost`,
  direction: 'loss',
  amount: { percent },
  edge,
  oldWeight: { kind: 'birth', throughAgeDays: 14 },
  concerns: 'newborn',
  source,
});

/** In reporting order. Those of one family nest: who lost 12 % within a month reaches several. */
export const CHANGE_THRESHOLDS: readonly ChangeThreshold[] = [
  longTermCare('loss', '5', 30, SLACK_OF_30_DAYS),
  longTermCare('loss', '10', 180, SLACK_OF_180_DAYS),
  longTermCare('gain', '5', 30, SLACK_OF_30_DAYS),
  longTermCare('gain', '10', 180, SLACK_OF_180_DAYS),
  moreLost('glim', '5', ['within 6 months', within(SIX_MONTHS)]),
  moreLost('glim', '10', ['beyond 6 months', { kind: 'any', overDays: SIX_MONTHS, throughDays: TWO_YEARS }]),
  moreLost('academy-aspen', '2', ['within 1 week', within(WEEK)]),
  moreLost('academy-aspen', '5', ['within 1 month', within(MONTH)]),
  moreLost('academy-aspen', '7.5', ['within 3 months', within(THREE_MONTHS)]),
  moreLost('academy-aspen', '10', ['within 6 months', within(SIX_MONTHS)]),
  moreLost('academy-aspen', '20', ['within 1 year', within(YEAR)]),
  heartFailureGain('2', 'within 1 day', 1),
  heartFailureGain('5', 'within 1 week', WEEK),
  newbornLoss('7', 'more-than', NOEL_WEISS),
  newbornLoss('10', 'at-least', FLAHERMAN),
];

/** No threshold looks further back than this. */
export const LONGEST_WINDOW_DAYS = TWO_YEARS;
