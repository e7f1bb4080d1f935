/**
 * What another policy would make of readings that are stored: both policies judge the same readings
 * in the same way, from what was sent, so that nothing but the policy makes a difference.
 *
 * What other people's readings said when a reading arrived (`Reading.mistakenFor`) stays as it was.
 * A withdrawn reading is no reading under any policy. What a policy would refuse takes no part in
 * judging the others, since it would not be there.
 */
import { deriveBmi } from './derive/bmi.ts';
import { examine } from './evaluate.ts';
import { verdictOf, type Finding, type Outcome } from './finding.ts';
import type { ExactObservation } from './observation.ts';
import type { Policy } from './policy.ts';
import type { Context, DeviceFacts, PersonFacts, Reading } from './reading.ts';
import { doublePress } from './rules/repeat.ts';
import { RULES } from './rules/index.ts';
import { outcomeUnder } from './rules/rule.ts';
import { judgeSerial, type Standing } from './serial/judge.ts';
import { byTime } from './serial/order.ts';
import { standsAlike } from './serial/rejudged.ts';
import type { Measured } from './terminology.ts';

/** One stored weight or height. */
export interface StoredReading {
  readonly reading: Reading;
  /** As its sender wrote it, see `enrich/as-sent.ts`. */
  readonly sent: ExactObservation;
  /** When its first version was stored: the present for the rules about time. */
  readonly receivedMs: number;
  readonly device?: DeviceFacts;
  readonly tareDevices?: Context['tareDevices'];
}

/** All weights and heights of one person. */
export interface PersonOnTrial {
  readonly person: PersonFacts;
  readonly readings: readonly StoredReading[];
  readonly knownBases: readonly string[];
  readonly growth?: Context['growth'];
}

export interface Policies {
  readonly inForce: Policy;
  readonly candidate: Policy;
}

export type State = 'accepted' | 'held' | 'repeat' | 'refused';

export interface ReadingChange {
  readonly kind: 'reading';
  readonly id: string;
  readonly of: Measured;
  readonly effective: Reading['effective'];
  readonly from: State;
  /** The same as `from` when only its comparison, or what released it, would be another. */
  readonly to: State;
  /** Ids of the rules that keep it out, or that would no longer. */
  readonly rules: readonly string[];
}

/** A BMI by the height that it is derived with, in kg/m2 with one decimal. */
export interface TriedBmi {
  readonly valueText: string;
  readonly heightId: string;
}

export interface BmiChange {
  readonly kind: 'bmi';
  readonly weightId: string;
  readonly effective: Reading['effective'];
  /** Absent when there is none. */
  readonly from?: TriedBmi;
  readonly to?: TriedBmi;
}

export type PolicyChange = ReadingChange | BmiChange;

/** What would change for one person, in the order of time: readings first, then BMI. */
export function tryPolicy(trial: PersonOnTrial, { inForce, candidate }: Policies): readonly PolicyChange[] {
  const [now, then] = [judgedUnder(inForce, trial), judgedUnder(candidate, trial)];
  const inOrder = trial.readings.map(({ reading }) => reading).sort((one, other) => one.effective.startMs - other.effective.startMs);
  return [
    ...inOrder.flatMap((reading) => readingChange(reading, now, then)),
    ...inOrder.filter(({ of }) => of === 'weight').flatMap((weight) => bmiChange(weight, now, then)),
  ];
}

interface JudgedReading {
  readonly state: State;
  /** As it would stand; absent when it would be refused. */
  readonly standing?: Reading;
  readonly because: readonly string[];
}

interface Judged {
  readonly readings: ReadonlyMap<string, JudgedReading>;
  readonly bmi: ReadonlyMap<string, TriedBmi>;
}

function judgedUnder(policy: Policy, trial: PersonOnTrial): Judged {
  const own = new Map(trial.readings.map((stored) => [stored.reading.id, ownFindings(stored, trial, policy)]));
  const ownOf = (id: string): readonly Finding[] => own.get(id) ?? [];
  const { standings, refused } = takenIn(trial, ownOf, { person: trial.person, policy, ...(trial.growth && { growth: trial.growth }) });
  const { drafts } = deriveBmi(
    standings.map(({ reading }) => reading),
    trial.person,
    policy,
  );
  return {
    readings: new Map([
      ...standings.map((standing) => [standing.reading.id, judgedReading(standing, ownOf(standing.reading.id))] as const),
      ...[...refused].map(([id, findings]) => [id, { state: 'refused', because: idsOf(findings, ['refuse']) }] as const),
    ]),
    bmi: new Map(drafts.map(({ weight, height, valueText }) => [weight.id, { valueText, heightId: height.id }])),
  };
}

const AMONG_RULES = RULES.filter(({ among }) => among !== undefined);

/** The readings that are not refused, as they stand together; and those that are, with what is said of them. */
function takenIn(
  { readings }: PersonOnTrial,
  ownOf: (id: string) => readonly Finding[],
  surroundings: Pick<Context, 'person' | 'policy' | 'growth'>,
): { readonly standings: readonly Standing[]; readonly refused: ReadonlyMap<string, readonly Finding[]> } {
  const refused = new Map(
    readings.map(({ reading }) => [reading.id, ownOf(reading.id)] as const).filter(([, own]) => verdictOf(own) === 'refused'),
  );
  const inOrder = [...readings].sort((one, other) => one.receivedMs - other.receivedMs || byTime(one.reading, other.reading));
  const doubted = inOrder
    .filter(({ reading }) => !refused.has(reading.id))
    .map(({ reading }) => ({ ...reading, doubts: idsOf(ownOf(reading.id), ['hold']) }));
  if (!AMONG_RULES.some((rule) => outcomeUnder(rule, surroundings.policy) === 'refuse')) {
    return { standings: judgeSerial(doubted, surroundings), refused };
  }
  // refused for what the others say of it, a reading is gone whatever comes later: so each is judged as it arrived
  const there: Reading[] = [];
  for (const arrived of doubted) {
    const { findings = [] } = judgeSerial([...there, arrived], surroundings).find(({ reading }) => reading.id === arrived.id) ?? {};
    if (verdictOf(findings) === 'refused') refused.set(arrived.id, findings);
    else there.push(arrived);
  }
  return { standings: judgeSerial(there, surroundings), refused };
}

/** What the rules that look at an Observation by itself say of it; facts of person and device are those of today. */
function ownFindings(
  { reading, sent, receivedMs, device, tareDevices }: StoredReading,
  { person, knownBases }: PersonOnTrial,
  policy: Policy,
): readonly Finding[] {
  if (reading.status === 'entered-in-error') return [];
  const { id, mistakenFor } = reading;
  const context: Context = {
    nowMs: receivedMs,
    policy,
    knownBases,
    id,
    version: 1,
    person,
    ...(device && { device }),
    ...(tareDevices && { tareDevices }),
    ...(mistakenFor && { mistakenFor }),
    history: [],
    standing: [],
  };
  return examine(sent, reading, context).findings;
}

function judgedReading({ reading, findings }: Standing, own: readonly Finding[]): JudgedReading {
  const because = reading.held ? idsOf([...own, ...findings], ['hold', 'refuse']) : [];
  const repeats = reading.repeatOf !== undefined && because.length === 0 ? [doublePress.id] : [];
  const state = reading.held ? 'held' : reading.repeatOf === undefined ? 'accepted' : 'repeat';
  return { state, standing: reading, because: [...because, ...repeats] };
}

function idsOf(findings: readonly Finding[], outcomes: readonly Outcome[]): string[] {
  return [...new Set(findings.filter(({ outcome }) => outcomes.includes(outcome)).map(({ rule }) => rule.id))];
}

function readingChange({ id, of, effective }: Reading, now: Judged, then: Judged): ReadingChange[] {
  const [before, after] = [judgedOf(id, now), judgedOf(id, then)];
  const isAlike = before.standing === undefined || after.standing === undefined || standsAlike(before.standing, after.standing);
  if (before.state === after.state && isAlike) return [];
  const rules = before.state === after.state ? [] : after.because.length > 0 ? after.because : before.because;
  return [{ kind: 'reading', id, of, effective, from: before.state, to: after.state, rules }];
}

function judgedOf(id: string, { readings }: Judged): JudgedReading {
  const judged = readings.get(id);
  if (judged === undefined) throw new Error('a reading was given no standing');
  return judged;
}

function bmiChange({ id, effective }: Reading, now: Judged, then: Judged): BmiChange[] {
  const [from, to] = [now.bmi.get(id), then.bmi.get(id)];
  if (from?.valueText === to?.valueText && from?.heightId === to?.heightId) return [];
  return [{ kind: 'bmi', weightId: id, effective, ...(from && { from }), ...(to && { to }) }];
}
