/**
 * Stored readings and refusals, judged again under the policy in force and under a candidate.
 * Reads and nothing else; goes from person to person, so that only one is in memory at a time.
 *
 * A reading is judged from what was sent, with what is known today of its person and scale, as of
 * the instant at which its first version was stored. Versions are read by number: a service that
 * writes meanwhile cannot change what they say.
 */
import { asSent } from '../core/enrich/as-sent.ts';
import { conformObservation } from '../core/conform.ts';
import { parseDateTime } from '../core/fhir-time.ts';
import type { GrowthTables } from '../core/growth/tables.ts';
import { isJsonObject, parseExactJson, type JsonObject } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import type { Policy } from '../core/policy.ts';
import { tryPolicy, type Policies, type PolicyChange, type StoredReading } from '../core/policy-trial.ts';
import type { Reading } from '../core/reading.ts';
import type { Measured } from '../core/terminology.ts';
import type { Refusal, StoreReader } from '../ports.ts';
import { loadFacts, loadPersonByKey } from './context.ts';
import { treeOf } from './stored-tree.ts';
import { judgeNew, type Judgement } from './reading.ts';
import { additionsTo } from './record.ts';

export interface PolicyTrial extends Policies {
  readonly knownBases: readonly string[];
  /** Those that the service has. */
  readonly growth?: GrowthTables;
  /** The key of the one person to look at; everybody when absent. */
  readonly person?: string;
  /** Readings measured, and refusals received, before this are not spoken of; they are still judged. */
  readonly sinceMs?: number;
}

export interface TriedPerson {
  readonly person: string;
  /** How many weights and heights of theirs were compared. */
  readonly readings: number;
  readonly changes: readonly PolicyChange[];
}

const PERSONS_A_PAGE = 100;
const REFUSALS_A_PAGE = 20;

/** One after another, in the store's order of their keys. */
export async function* tryOnReadings(reader: StoreReader, trial: PolicyTrial): AsyncGenerator<TriedPerson> {
  for await (const person of personsOf(reader, trial)) {
    const history = await reader.readingsOf(person);
    const isSpokenOf = ({ effective }: Pick<Reading, 'effective'>): boolean => effective.startMs >= (trial.sinceMs ?? -Infinity);
    const count = history.filter(isSpokenOf).length;
    if (count === 0) continue;
    const readings: StoredReading[] = [];
    for (const reading of history) readings.push(await storedReading(reader, reading, trial));
    const { knownBases, growth } = trial;
    const changes = tryPolicy(
      { person: await loadPersonByKey(reader, person, knownBases), readings, knownBases, ...(growth && { growth }) },
      trial,
    );
    yield { person, readings: count, changes: changes.filter(isSpokenOf) };
  }
}

async function* personsOf(reader: StoreReader, { person }: PolicyTrial): AsyncGenerator<string> {
  if (person !== undefined) {
    yield person;
    return;
  }
  for (let page = await reader.personsWithReadings(PERSONS_A_PAGE); page.length > 0;) {
    yield* page;
    page = await reader.personsWithReadings(PERSONS_A_PAGE, page.at(-1));
  }
}

async function storedReading(reader: StoreReader, reading: Reading, { knownBases, inForce }: PolicyTrial): Promise<StoredReading> {
  const { id, version, person } = reading;
  const stored = await reader.version('Observation', id, version);
  const first = version === 1 ? stored : await reader.version('Observation', id, 1);
  const received = parseDateTime(first?.lastUpdated ?? '');
  if (stored === undefined || received === undefined) throw new Error(`Observation/${id} lacks a version, or says no instant`);
  const added = await additionsTo(reader, stored);
  const sent = asSent(
    treeOf(stored) as unknown as ExactObservation,
    reading,
    added.map(({ what }) => what),
  );
  const { device, tareDevices } = await loadFacts(reader, sent, { policy: inForce, knownBases }, person);
  return { reading, sent, receivedMs: received.startMs, ...(device && { device }), ...(tareDevices && { tareDevices }) };
}

/** A refusal of which the candidate would take in the reading. */
export interface RefusalChange {
  readonly kind: 'refusal';
  /** Of the refusal, as the store keeps it. */
  readonly id: string;
  readonly receivedAt: string;
  readonly person: string;
  readonly of: Measured;
  readonly effective: Reading['effective'];
  readonly to: 'accepted' | 'held';
  /** Ids of the rules that refuse it under the policy in force. */
  readonly rules: readonly string[];
}

/** One kept refusal: judged, with the change if there is one; or not judged, since it is no new reading. */
export interface TriedRefusal {
  readonly judged: boolean;
  readonly change?: RefusalChange;
}

/**
 * Kept refusals, newest first: each a new reading among what its person has today, as of the
 * instant at which it was received. Whole Bundles and corrections are not judged again, since what
 * they would have met is not there any more.
 */
export async function* tryOnRefusals(reader: StoreReader, trial: PolicyTrial): AsyncGenerator<TriedRefusal> {
  for (let page = await reader.refusals(REFUSALS_A_PAGE); page.length > 0;) {
    for (const refusal of page) {
      if (Date.parse(refusal.receivedAt) >= (trial.sinceMs ?? -Infinity)) yield await triedRefusal(reader, refusal, trial);
    }
    page = await reader.refusals(REFUSALS_A_PAGE, page.at(-1)?.id);
  }
}

async function triedRefusal(reader: StoreReader, refusal: Refusal, trial: PolicyTrial): Promise<TriedRefusal> {
  const observation = await newObservationIn(refusal, reader);
  if (observation === undefined) return { judged: false };
  const conformed = conformObservation(observation);
  if (!conformed.ok) return { judged: true };
  const { id, receivedAt } = refusal;
  const { knownBases, growth } = trial;
  const clock = { nowMs: () => Date.parse(receivedAt) };
  const judge = (policy: Policy): Promise<Judgement> =>
    judgeNew(reader, conformed.resource, id, { clock, policy, knownBases, ...(growth && { growth }) });
  const [now, then] = [await judge(trial.inForce), await judge(trial.candidate)];
  if (now.kind !== 'refused' || then.kind !== 'stored' || then.evaluation.stored === undefined) return { judged: true };
  const { verdict, stored } = then.evaluation;
  const { person, of, effective } = stored.reading;
  if (trial.person !== undefined && person !== trial.person) return { judged: true };
  const rules = [...new Set(now.findings.filter(({ outcome }) => outcome === 'refuse').map(({ rule }) => rule.id))];
  const to = verdict === 'held' ? 'held' : 'accepted';
  return { judged: true, change: { kind: 'refusal', id, receivedAt, person, of, effective, to, rules } };
}

/** Undefined for what is no Observation, and for the correction of one that is stored. */
async function newObservationIn({ text }: Refusal, reader: StoreReader): Promise<JsonObject | undefined> {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value) || parsed.value['resourceType'] !== 'Observation') return undefined;
  const { id } = parsed.value;
  return typeof id === 'string' && (await reader.current('Observation', id)) !== undefined ? undefined : parsed.value;
}
