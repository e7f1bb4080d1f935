/**
 * Everything that is known after a run, gathered as plain values: what gateways did, what the store
 * holds, what the EHR holds, what was said. Gathers; judges nothing (that is `checker.ts`).
 */
import { identifierKeyOf } from '../../src/core/fingerprint.ts';
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { provenanceId } from '../../src/core/provenance.ts';
import { consequences } from '../../src/core/serial/consequences.ts';
import { loadPersonByKey } from '../../src/ingest/context.ts';
import type { OutboxItem, Store, StoreReader } from '../../src/ports.ts';
import type { Version } from '../../examples/receiver/memory.ts';
import { GATEWAY_SYSTEM } from './gateway-plan.ts';
import type { HistoryLine } from './history.ts';

export interface StoredVersion {
  readonly version: number;
  /** FHIR instant with microseconds. */
  readonly lastUpdated: string;
  readonly content: JsonObject;
}

export interface StoredObservation {
  readonly id: string;
  /** Oldest first, never empty. */
  readonly versions: readonly StoredVersion[];
  /** Of each version, in the order of `versions`: is there a Provenance of it? */
  readonly hasProvenance: readonly boolean[];
}

export interface Received {
  readonly type: string;
  /** `Observation/1001`. */
  readonly reference: string;
  readonly content: JsonObject;
}

export interface Evidence {
  readonly history: readonly HistoryLine[];
  readonly stored: readonly StoredObservation[];
  /** Where the store says that a gateway's identifier belongs: ids of Observations. */
  readonly placeOf: ReadonlyMap<string, readonly string[]>;
  /** Bodies that were refused, as the store keeps them. */
  readonly refused: readonly string[];
  readonly outbox: readonly OutboxItem[];
  readonly recomputed: { readonly persons: number; readonly differences: readonly string[] };
  /** Current versions of all that the EHR was made to hold; it never deletes. */
  readonly received: readonly Received[];
  /** Logs, standard error and metrics. */
  readonly said: readonly { readonly where: string; readonly text: string }[];
  /** Statuses that `/health/ready` and `/health/live` answered at the end; 0 when they did not. */
  readonly health: readonly number[];
  /** Resident memory in bytes, settled before and after; absent when the process is a new one. */
  readonly memory?: { readonly before: number; readonly after: number };
  /** What the service's own check of its audit chain says; absent when it has none. */
  readonly auditChain?: 'whole' | 'broken';
}

export type FromStore = Pick<Evidence, 'stored' | 'placeOf' | 'refused' | 'outbox' | 'recomputed'>;

const ALL = 10_000_000;

/** Reads a store that nobody writes to any more. */
export async function evidenceInStore({ read, outbox }: Store, history: readonly HistoryLine[]): Promise<FromStore> {
  const stored: StoredObservation[] = [];
  for (let cursor: string | undefined, more = true; more;) {
    const page = await read.searchObservations({ includeHeld: true, sort: [], count: 1_000, ...(cursor !== undefined && { cursor }) });
    for (const { id } of page.resources) stored.push(await observationIn(read, id));
    cursor = page.next;
    more = cursor !== undefined;
  }
  const identifiers = new Set(history.flatMap((line) => (line.at === 'call' ? line.readings.map(({ identifier }) => identifier) : [])));
  const placeOf = new Map<string, readonly string[]>();
  for (const one of identifiers) placeOf.set(one, await read.idsByFingerprint(identifierKeyOf(GATEWAY_SYSTEM, one)));
  return {
    stored,
    placeOf,
    refused: (await read.refusals(ALL)).map(({ text }) => text),
    outbox: await outbox.list({ limit: ALL }),
    recomputed: await recompute(read),
  };
}

async function observationIn(read: StoreReader, id: string): Promise<StoredObservation> {
  const versions = (await read.history('Observation', id)).toReversed();
  const provenances = await Promise.all(versions.map(({ version }) => read.current('Provenance', provenanceId({ id, version }))));
  return {
    id,
    versions: versions.map(({ version, lastUpdated, text }) => ({ version, lastUpdated, content: objectOf(text) })),
    hasProvenance: provenances.map((one) => one !== undefined),
  };
}

/** Judges and derives everything of everybody from the readings alone, and says what stands otherwise. */
async function recompute(read: StoreReader): Promise<Evidence['recomputed']> {
  const differences: string[] = [];
  const persons = await read.personsWithReadings(ALL);
  for (const key of persons) {
    const person = await loadPersonByKey(read, key, []);
    const [history, standing] = [await read.readingsOf(key), await read.standingDerivedOf(key)];
    const { rejudged, derived } = consequences({ nowMs: 0, policy: DEFAULT_POLICY, person, history, standing });
    differences.push(...rejudged.map(({ before }) => `${before.id} stands otherwise`));
    differences.push(...derived.map(({ id, version }) => `${id} ought to have version ${version}`));
  }
  return { persons: persons.length, differences };
}

export function evidenceAtEhr(versions: readonly Version[]): readonly Received[] {
  return versions.map(({ type, id, content }) => ({ type, reference: `${type}/${id}`, content }));
}

function objectOf(text: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value)) throw new TypeError('the store holds a resource that is no JSON object');
  return parsed.value;
}
