/** Counting: alarms about right measurements, and what became of wrong ones. */
import type { Verdict } from '../../../src/core/finding.ts';
import type { ErrorKind } from './errors.ts';
import { EXPECTED_RULES } from './expected-rules.ts';
import type { Answer } from './ward.ts';

/** What became of right measurements: an alarm is one that was held or refused. */
export interface AlarmTally {
  people: number;
  measurements: number;
  /** Alarms after an accepted measurement of the same measure and person, or at its beginning. */
  firstAlarms: number;
  /** Alarms right after another: nobody released what was held. */
  followOn: number;
  peopleAlarmed: number;
  /** How often each rule refused or held. */
  rules: Record<string, number>;
  /** Sums over people, from which follows how much the share of alarms varies between them. */
  overPeople: OverPeople;
}

export interface OverPeople {
  alarmsSquared: number;
  alarmsTimesMeasurements: number;
  measurementsSquared: number;
}

/** What became of wrong ones. `refused`, `held`, `noted` and `missed` add up to `tried`. */
export interface ErrorTally {
  tried: number;
  refused: number;
  held: number;
  /** Accepted with a remark that names the error. */
  noted: number;
  missed: number;
  /** Of the missed, those that are more than 5 % from what was right. */
  missedFar: number;
  /** Of all, those whose cause a rule named. */
  named: number;
  /** Of those accepted, the ones after which the next right measurement was held or refused. */
  nextAlarmed: number;
  /** How often each rule refused, held or named. */
  rules: Record<string, number>;
}

export interface GroupTally {
  readonly alarms: AlarmTally;
  readonly errors: Partial<Record<ErrorKind, ErrorTally>>;
}

/** One measurement's answer, in the order in which they were sent. */
export interface Judged {
  readonly person: string;
  readonly of: string;
  readonly answer: Answer;
}

export function isAlarm({ verdict }: Pick<Answer, 'verdict'>): boolean {
  return verdict !== 'accepted';
}

/** @param people how many there are, those without a measurement too */
export function countAlarms(people: number, judged: readonly Judged[]): AlarmTally {
  const tally = { ...emptyAlarmTally(), people, measurements: judged.length };
  const alarmsOf = new Map<string, number>();
  const measurementsOf = new Map<string, number>();
  const lastWasAlarm = new Map<string, boolean>();
  for (const { person, of, answer } of judged) {
    const key = `${person} ${of}`;
    if (isAlarm(answer)) {
      if (lastWasAlarm.get(key)) tally.followOn += 1;
      else tally.firstAlarms += 1;
      alarmsOf.set(person, (alarmsOf.get(person) ?? 0) + 1);
      count(tally.rules, answer.deciding);
    }
    lastWasAlarm.set(key, isAlarm(answer));
    measurementsOf.set(person, (measurementsOf.get(person) ?? 0) + 1);
  }
  tally.peopleAlarmed = alarmsOf.size;
  for (const [person, measurements] of measurementsOf) {
    const alarms = alarmsOf.get(person) ?? 0;
    tally.overPeople.alarmsSquared += alarms ** 2;
    tally.overPeople.alarmsTimesMeasurements += alarms * measurements;
    tally.overPeople.measurementsSquared += measurements ** 2;
  }
  return tally;
}

export function emptyAlarmTally(): AlarmTally {
  const overPeople = { alarmsSquared: 0, alarmsTimesMeasurements: 0, measurementsSquared: 0 };
  return { people: 0, measurements: 0, firstAlarms: 0, followOn: 0, peopleAlarmed: 0, rules: {}, overPeople };
}

/** What one attempt came to. */
export interface Attempted {
  readonly kind: ErrorKind;
  /** Answers to what was wrong of it: one, or both of an exchange. */
  readonly answers: readonly Answer[];
  /** How far the wrong value is from the right one, as a share of it. */
  readonly off: number;
  /** Of the right measurement that followed; absent when that was not asked. */
  readonly next?: Answer;
}

const FAR = 0.05;
const WORST: readonly Verdict[] = ['refused', 'held', 'accepted'];

export function emptyErrorTally(): ErrorTally {
  return { tried: 0, refused: 0, held: 0, noted: 0, missed: 0, missedFar: 0, named: 0, nextAlarmed: 0, rules: {} };
}

/** Adds an attempt: the worst verdict of its wrong parts counts, and a name for any of them. */
export function countAttempt(tally: ErrorTally, { kind, answers, off, next }: Attempted): void {
  const verdict = WORST.find((one) => answers.some((answer) => answer.verdict === one)) ?? 'accepted';
  const naming = EXPECTED_RULES[kind].filter((rule) => answers.some(({ rules }) => rules.includes(rule)));
  tally.tried += 1;
  if (naming.length > 0) tally.named += 1;
  if (verdict === 'refused') tally.refused += 1;
  else if (verdict === 'held') tally.held += 1;
  else if (naming.length > 0) tally.noted += 1;
  else {
    tally.missed += 1;
    if (off > FAR) tally.missedFar += 1;
  }
  if (verdict === 'accepted' && next && isAlarm(next)) tally.nextAlarmed += 1;
  count(tally.rules, [...new Set([...naming, ...answers.flatMap(({ deciding }) => deciding)])]);
}

function count(rules: Record<string, number>, ids: readonly string[]): void {
  for (const id of ids) rules[id] = (rules[id] ?? 0) + 1;
}

/** The sum of tallies: numbers are added, whatever is beneath a name that only some have is taken over. */
export function sum<Counted extends object>(tallies: readonly Counted[]): Counted {
  const total: Record<string, unknown> = {};
  for (const tally of tallies) {
    for (const [name, value] of Object.entries(tally) as [string, unknown][]) {
      const before = total[name];
      if (typeof value === 'number') total[name] = (typeof before === 'number' ? before : 0) + value;
      else total[name] = sum([before ?? {}, value as object]);
    }
  }
  return total as Counted;
}
