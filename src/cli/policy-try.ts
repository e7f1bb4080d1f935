/** `steelyard policy try`: what a candidate would change about what is stored. Writes nothing. */
import { knownBasesOf } from '../addresses.ts';
import { loadConfig } from '../config.ts';
import { growthTablesFrom } from './growth-tables-option.ts';
import { parseDateTime } from '../core/fhir-time.ts';
import type { BmiChange, Policies, ReadingChange, State } from '../core/policy-trial.ts';
import { tryOnReadings, tryOnRefusals, type PolicyTrial, type RefusalChange } from '../ingest/policy-trial.ts';
import { mayExist, nameOfStore, openStoreReadOnly, StoreNotOpened } from '../open-store.ts';
import { StoreUnavailable, type StoreReader } from '../ports.ts';
import { policyInForce } from './policy.ts';
import { policyIn } from './policy-option.ts';
import { CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

export interface TryOptions {
  readonly database?: string;
  readonly since?: string;
  readonly person?: string;
  /** How many changes are listed; all are counted. */
  readonly limit: number;
  readonly format: 'text' | 'json';
}

type ListedChange = ((ReadingChange | BmiChange) & { readonly person: string }) | RefusalChange;

/** How much was looked at, and what would change, by kind. */
interface Counts {
  persons: number;
  readings: number;
  refusals: number;
  /** Kept refusals of Bundles and corrections. */
  refusalsNotJudged: number;
  readonly changes: Record<ChangeName, number>;
}

type ChangeName =
  'held' | 'released' | 'refused' | 'accepted' | 'repeat' | 'compared' | 'bmiAppears' | 'bmiChanges' | 'bmiVoided' | 'refusalTaken';

const CHANGE_WORDS: Readonly<Record<ChangeName, string>> = {
  held: 'would be held',
  released: 'would be released',
  refused: 'would be refused',
  accepted: 'would be accepted',
  repeat: 'would count as a double press',
  compared: 'would be compared or released otherwise',
  bmiAppears: 'BMI would appear',
  bmiChanges: 'BMI would change',
  bmiVoided: 'BMI would be voided',
  refusalTaken: 'kept refusals would be taken in',
};

const BUSY_TIMEOUT_MS = 10_000;

/** Throws CommandFailed for a candidate, a date or a store that cannot be used. */
export async function tryPolicyFile(file: string, options: TryOptions, terminal: Terminal): Promise<number> {
  const config = loadConfig(process.env);
  const candidate = policyIn(file, 'The candidate');
  const growth = growthTablesFrom(config.growthTables, 'STEELYARD_GROWTH_TABLES');
  const trial: PolicyTrial = {
    inForce: policyInForce(config.policyFile),
    candidate,
    knownBases: knownBasesOf(config),
    ...(growth && { growth }),
    ...(options.person !== undefined && { person: options.person }),
    ...(options.since !== undefined && { sinceMs: instantFrom(options.since) }),
  };
  const { listed, counts } = await withStore(options.database ?? config.database, (reader) => tried(reader, trial, options.limit));
  if (options.format === 'json') terminal.print(JSON.stringify({ ...versionsOf(trial), counts, changes: listed }, undefined, 2));
  else terminal.print(...listed.flatMap((change) => linesOf(change, terminal)), ...summaryLines(trial, counts, listed.length, terminal));
  return totalOf(counts) === 0 ? EXIT.ok : EXIT.found;
}

function versionsOf({ inForce, candidate }: Policies) {
  return { inForce: inForce.version, candidate: candidate.version };
}

async function tried(reader: StoreReader, trial: PolicyTrial, limit: number): Promise<{ listed: ListedChange[]; counts: Counts }> {
  const none = Object.fromEntries(Object.keys(CHANGE_WORDS).map((name) => [name, 0])) as Record<ChangeName, number>;
  const counts: Counts = { persons: 0, readings: 0, refusals: 0, refusalsNotJudged: 0, changes: none };
  const listed: ListedChange[] = [];
  const note = (change: ListedChange): void => {
    counts.changes[nameOf(change)] += 1;
    if (listed.length < limit) listed.push(change);
  };
  for await (const { person, readings, changes } of tryOnReadings(reader, trial)) {
    counts.persons += 1;
    counts.readings += readings;
    for (const change of changes) note({ ...change, person });
  }
  for await (const { judged, change } of tryOnRefusals(reader, trial)) {
    counts[judged ? 'refusals' : 'refusalsNotJudged'] += 1;
    if (change) note(change);
  }
  return { listed, counts };
}

function nameOf(change: ListedChange): ChangeName {
  if (change.kind === 'refusal') return 'refusalTaken';
  if (change.kind === 'bmi') return change.from === undefined ? 'bmiAppears' : change.to === undefined ? 'bmiVoided' : 'bmiChanges';
  const { from, to } = change;
  if (from === to) return 'compared';
  return to === 'accepted' && from === 'held' ? 'released' : to;
}

function totalOf({ changes }: Counts): number {
  return Object.values(changes).reduce((sum, count) => sum + count, 0);
}

const INDENT = ' '.repeat(4);
const STATE_WORDS: Readonly<Record<State, string>> = { accepted: 'accepted', held: 'held', repeat: 'a double press', refused: 'refused' };

function linesOf(change: ListedChange, { tint, columns }: Terminal): string[] {
  const what = change.kind === 'bmi' ? 'BMI of weight' : change.of;
  const where = change.kind === 'refusal' ? `refusal ${change.id}` : `Observation/${change.kind === 'bmi' ? change.weightId : change.id}`;
  const head = printable(`${change.effective.text}  ${what}  ${where}  ${change.person}`);
  return [tint('bold', head), ...wrapped(sentenceOn(change), columns, INDENT)];
}

function sentenceOn(change: ListedChange): string {
  if (change.kind === 'bmi') return bmiSentence(change);
  const rules = change.rules.length === 0 ? '' : `: ${change.rules.join(', ')}`;
  if (change.kind === 'refusal') return `would be ${change.to}, was refused ${change.receivedAt}${rules}`;
  if (change.from === change.to) return 'would be compared with another reading, or released by another; stands as before';
  const name = nameOf(change);
  return `${CHANGE_WORDS[name]}, is ${STATE_WORDS[change.from]} under the policy in force${rules}`;
}

function bmiSentence({ from, to }: BmiChange): string {
  if (from === undefined) return `BMI ${to?.valueText ?? ''} would appear, with Observation/${to?.heightId ?? ''}`;
  if (to === undefined) return `BMI ${from.valueText} would be voided`;
  return `BMI ${from.valueText} would become ${to.valueText}, with Observation/${to.heightId}`;
}

function summaryLines(trial: PolicyTrial, counts: Counts, shown: number, { columns }: Terminal): string[] {
  const total = totalOf(counts);
  const kinds = Object.entries(counts.changes).flatMap(([name, count]) =>
    count === 0 ? [] : [`${count} ${CHANGE_WORDS[name as ChangeName]}`],
  );
  const { inForce, candidate } = versionsOf(trial);
  const skipped =
    counts.refusalsNotJudged === 0 ? '' : ` ${counts.refusalsNotJudged} refused Bundles and corrections were not judged again.`;
  return [
    ...(shown < total ? [`… and ${total - shown} more; --limit shows more.`] : []),
    ...(total === 0 ? [] : ['']),
    ...wrapped(
      `${counts.readings} readings of ${counts.persons} people and ${counts.refusals} refusals judged under ${candidate} and under ${inForce}, which is in force.${skipped}`,
      columns,
    ),
    ...wrapped(total === 0 ? 'Nothing would change.' : `${kinds.join('; ')}.`, columns),
    'Nothing was written.',
  ];
}

function instantFrom(text: string): number {
  const instant = parseDateTime(text);
  if (instant === undefined) throw new CommandFailed('--since must be a date such as 2026-03-01, or a date and time with an offset.');
  return instant.startMs;
}

async function withStore<Result>(database: string, use: (reader: StoreReader) => Promise<Result>): Promise<Result> {
  if (!mayExist(database))
    throw new CommandFailed(`There is no store at ${printable(database)}; STEELYARD_DATABASE or --database says where it is.`);
  try {
    const store = await openStoreReadOnly(database, { busyTimeoutMs: BUSY_TIMEOUT_MS });
    try {
      return await use(store.read);
    } finally {
      await store.close();
    }
  } catch (error) {
    if (error instanceof StoreNotOpened) throw new CommandFailed(`${printable(nameOfStore(database))}: ${error.message}.`);
    if (error instanceof StoreUnavailable) throw new CommandFailed('The store cannot be read now. Try again.');
    throw error;
  }
}
