/** What a run came to: kept as `result.json` beside this file, from which the documents are made. */
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { ratioError } from './interval.ts';
import type { Alarm, Cohort, CohortResult } from './judge.ts';
import { EXTREME_SHARE } from './population.ts';
import { GROUPS, type Group } from './series.ts';
import { sum, type AlarmTally, type GroupTally } from './tally.ts';

export interface GroupResult extends GroupTally {
  /** The first few alarms about right measurements. */
  readonly examples: readonly Alarm[];
}

export interface JudgementResult {
  readonly service: string;
  readonly policy: string;
  readonly seed: number;
  readonly size: SizeName;
  readonly groups: Readonly<Partial<Record<Group, GroupResult>>>;
}

export type SizeName = 'full' | 'quick';

/** People a group. */
export const SIZES: Readonly<Record<SizeName, Readonly<Record<Group, number>>>> = {
  full: {
    'healthy-adults': 280,
    'healthy-extremes': 120,
    'heart-failure': 40,
    dialysis: 60,
    'growing-children': 100,
    infants: 80,
    wheelchair: 60,
    'in-bed': 60,
  },
  quick: {
    'healthy-adults': 30,
    'healthy-extremes': 10,
    'heart-failure': 6,
    dialysis: 10,
    'growing-children': 10,
    infants: 10,
    wheelchair: 10,
    'in-bed': 10,
  },
};

const PEOPLE_A_WARD = 10;
const EXAMPLES = 10;

/** The wards of a run; what each comes to depends on nothing but itself. */
export function cohortsOf(size: SizeName, seed: number): Cohort[] {
  return GROUPS.flatMap((group) => {
    const people = SIZES[size][group];
    const wards = Math.ceil(people / PEOPLE_A_WARD);
    return Array.from({ length: wards }, (_, ward): Cohort => {
      const from = 1 + ward * PEOPLE_A_WARD;
      return { seed, group, from, to: Math.min(people, from + PEOPLE_A_WARD - 1) + 1, tries: 1 };
    });
  });
}

/** @param results in the order of their cohorts */
export function resultOf(
  about: Pick<JudgementResult, 'service' | 'policy' | 'seed' | 'size'>,
  results: readonly (CohortResult & { readonly group: Group })[],
): JudgementResult {
  const groups = GROUPS.flatMap((group): [Group, GroupResult][] => {
    const ofGroup = results.filter((result) => result.group === group);
    if (ofGroup.length === 0) return [];
    const { alarms, errors } = sum(ofGroup.map(({ tally }) => tally));
    return [[group, { alarms, errors, examples: ofGroup.flatMap((result) => result.alarms).slice(0, EXAMPLES) }]];
  });
  return { ...about, groups: Object.fromEntries(groups) };
}

/** No more than this share of right measurements of healthy adults may be held or refused. */
export const MOST_FALSE_ALARMS = 1 / 1000;

export function alarmShare({ firstAlarms, followOn, measurements }: AlarmTally): number {
  return measurements === 0 ? 0 : (firstAlarms + followOn) / measurements;
}

/**
 * The share of false alarms of all healthy adults and its standard error: those of the two groups,
 * each with its share of people as weight. Undefined when one of the groups was not judged.
 */
export function healthyAlarmShare({ groups }: Pick<JudgementResult, 'groups'>): Estimate | undefined {
  const [middle, extremes] = [groups['healthy-adults'], groups['healthy-extremes']];
  if (middle === undefined || extremes === undefined) return undefined;
  const weighted = [
    { alarms: middle.alarms, weight: 1 - 2 * EXTREME_SHARE },
    { alarms: extremes.alarms, weight: 2 * EXTREME_SHARE },
  ].map(({ alarms, weight }) => {
    const share = alarmShare(alarms);
    return { share: weight * share, error: weight * ratioError(share, alarms.measurements, alarms.overPeople) };
  });
  return { share: weighted.reduce((total, { share }) => total + share, 0), error: Math.hypot(...weighted.map(({ error }) => error)) };
}

export interface Estimate {
  readonly share: number;
  readonly error: number;
}

/** True when healthy adults were judged, and the share of false alarms is small enough. */
export function meetsTarget(result: JudgementResult): boolean {
  return (healthyAlarmShare(result)?.share ?? 1) <= MOST_FALSE_ALARMS;
}

export const COMMITTED_RESULT = join(import.meta.dirname, 'result.json');

/** The result that is committed. Throws when it is not there. */
export function committedResult(): JudgementResult {
  return JSON.parse(readFileSync(COMMITTED_RESULT, 'utf8')) as JudgementResult;
}

/** The same result is the same text, whatever order its parts were counted in. */
export function resultText(result: JudgementResult): string {
  return `${JSON.stringify(result, (_, value: unknown) => (isPlainObject(value) ? sorted(value) : value), 2)}\n`;
}

function isPlainObject(value: unknown): value is Record<string, unknown> {
  return value !== null && typeof value === 'object' && !Array.isArray(value);
}

/** Counts of rules by id; everything else keeps its order. */
function sorted(value: Record<string, unknown>): Record<string, unknown> {
  const isCount = Object.values(value).every((item) => typeof item === 'number') && !('tried' in value) && !('people' in value);
  return isCount ? Object.fromEntries(Object.entries(value).sort(([a], [b]) => (a < b ? -1 : 1))) : value;
}
