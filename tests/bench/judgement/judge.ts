/** Sends the series of some people through the service, and tries errors on the way. */
import { attemptIn, ERROR_KINDS, ERRORS, received, type Attempt, type ErrorKind } from './errors.ts';
import { inBase } from './instruments.ts';
import { MODELS } from './model.ts';
import { seededRandom } from './random.ts';
import { eventsOf, morningCheck, type Group, type Measurement, type Series } from './series.ts';
import {
  countAlarms,
  countAttempt,
  emptyErrorTally,
  isAlarm,
  type Attempted,
  type ErrorTally,
  type Judged,
  type GroupTally,
} from './tally.ts';
import { openWard, type Answer, type Desk, type Ward } from './ward.ts';

/** People of one group who share a ward. */
export interface Cohort {
  readonly seed: number;
  readonly group: Group;
  /** Numbers of the first person and of the one after the last. */
  readonly from: number;
  readonly to: number;
  /** How many places of each person's series each kind of error is tried at. */
  readonly tries: number;
}

/** A right measurement that was held or refused. */
export interface Alarm {
  readonly measurement: string;
  readonly shown: string;
  readonly rules: string;
}

export interface CohortResult {
  readonly tally: GroupTally;
  readonly alarms: readonly Alarm[];
  /** Measurements sent, the wrong ones and those after them too. */
  readonly sent: number;
}

export async function judgeCohort({ seed, group, from, to, tries }: Cohort): Promise<CohortResult> {
  const people = Array.from({ length: to - from }, (_, index) => MODELS[group](seed, from + index));
  return judgePeople(people, attemptsOn(people, seed, tries));
}

/** Every kind of error in every series, as often as asked, where it has a place. */
export function attemptsOn(people: readonly Series[], seed: number, tries: number, kinds: readonly ErrorKind[] = ERROR_KINDS): Attempt[] {
  return people.flatMap((series, index) => {
    const neighbour = people[(index + 1) % people.length];
    const isAlone = neighbour === undefined || neighbour === series;
    return kinds.flatMap((kind) =>
      Array.from({ length: tries }, (_, number) => {
        const random = seededRandom(seed, series.group, series.number, kind, number);
        return attemptIn(kind, series, { seed, random, ...(!isAlone && { neighbour }) }) ?? [];
      }).flat(),
    );
  });
}

/**
 * Sends all right measurements of people of one group in order of time. Each attempt is rehearsed
 * just before the right measurement that it replaces: the wrong one is sent, then the next right one
 * of the person when nobody objected, and all is taken back. An attempt does not count where the
 * right measurement raises an alarm of its own, since nothing would tell the two apart.
 */
export async function judgePeople(people: readonly Series[], attempts: readonly Attempt[]): Promise<CohortResult> {
  const due = byMeasurement(attempts);
  const judged: Judged[] = [];
  const alarms: Alarm[] = [];
  const errors: Partial<Record<ErrorKind, ErrorTally>> = {};
  const ward = counting(await openWard());
  try {
    for (const event of eventsOf(people)) {
      if (event.kind === 'put') {
        await ward.put(event.put, event.atMs);
        continue;
      }
      const { measurement } = event;
      const rehearsed: Attempted[] = [];
      for (const attempt of due.get(measurement.key) ?? []) rehearsed.push(await ward.rehearse((desk) => tryOut(desk, attempt)));
      const answer = await ward.post(measurement, received(measurement));
      judged.push({ person: measurement.person, of: measurement.of, answer });
      if (isAlarm(answer)) {
        alarms.push(alarmOf(measurement, answer.deciding));
        await weighAgain(ward, measurement, answer);
      } else for (const attempted of rehearsed) countAttempt((errors[attempted.kind] ??= emptyErrorTally()), attempted);
    }
  } finally {
    await ward.close();
  }
  return { tally: { alarms: countAlarms(people.length, judged), errors }, alarms, sent: ward.sent() };
}

const WEIGHED_AGAIN_MS = 3 * 60_000;

/**
 * What a ward does with a held reading that is right: somebody weighs again on the same scale, and
 * keeps the first one when that does not release it. Neither is counted: an alarm is one alarm.
 */
async function weighAgain(desk: Desk, measurement: Measurement, { storedAs }: Answer): Promise<void> {
  if (storedAs === undefined) return;
  const again = { ...measurement, key: `${measurement.key}-again`, atMs: measurement.atMs + WEIGHED_AGAIN_MS };
  const { verdict } = await desk.post(again, received(again));
  if (verdict !== 'accepted') await desk.keep(storedAs, received(again));
}

function byMeasurement(attempts: readonly Attempt[]): Map<string, Attempt[]> {
  const due = new Map<string, Attempt[]>();
  for (const attempt of attempts) {
    const { key } = attempt.series.measurements[attempt.index] as Measurement;
    due.set(key, [...(due.get(key) ?? []), attempt]);
  }
  return due;
}

async function tryOut(desk: Desk, attempt: Attempt): Promise<Attempted> {
  const { kind, puts, sent, series, index, replaces } = attempt;
  const right = series.measurements[index] as Measurement;
  for (const put of puts) await desk.put(put, received(right));
  const answers = [];
  for (const { measurement, receivedMs, isWrong } of sent) {
    const answer = await desk.post(measurement, receivedMs);
    if (isWrong) answers.push(answer);
  }
  const attempted = { kind, answers, off: distance(sent.find(({ isWrong }) => isWrong)?.measurement, right) };
  const next = series.measurements.slice(index + replaces).find(({ of }) => of === ERRORS[kind].of);
  if (next === undefined || puts.length > 0 || answers.some(isAlarm)) return attempted;
  const check = morningCheck(next);
  await desk.put(check, received(next));
  return { ...attempted, next: await desk.post(next, received(next)) };
}

/** How far the value is from the right one, as a share of it. */
function distance(wrong: Measurement | undefined, right: Measurement): number {
  const [was, is] = [inBaseUnit(wrong ?? right), inBaseUnit(right)];
  return Math.abs(was - is) / is;
}

function inBaseUnit({ shown: { digits, unit } }: Measurement): number {
  return Number(digits) * inBase(unit);
}

function alarmOf({ key, shown }: Measurement, rules: readonly string[]): Alarm {
  return { measurement: key, shown: `${shown.digits} ${shown.unit}`, rules: rules.join(', ') };
}

/** The same ward, which counts what is sent to it. */
function counting(ward: Ward): Ward & { sent(): number } {
  let sent = 0;
  const counted = (desk: Desk): Desk => ({
    ...desk,
    post: (...measured) => {
      sent += 1;
      return desk.post(...measured);
    },
  });
  return { ...ward, ...counted(ward), rehearse: (work) => ward.rehearse((desk) => work(counted(desk))), sent: () => sent };
}
