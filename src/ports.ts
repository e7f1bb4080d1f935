/**
 * What the use case needs from the outside: a store, and nothing more. The least of it.
 *
 * All writing happens in units of work. A unit sees the store as it is when its turn comes,
 * alone; what it wrote is durable when `write` resolves (commit, then answer), or not there at all.
 */
import type { JsonObject } from './core/json.ts';
import type { ObservationFacts, Token } from './core/facts.ts';
import type { Reading, StandingDerived } from './core/reading.ts';

export type { ObservationFacts, Token };

export type StoredType = 'Observation' | 'Patient' | 'Device' | 'DeviceMetric' | 'Provenance';

/** One version of a resource, as it is served: `text` holds id, versionId and lastUpdated. */
export interface StoredResource {
  readonly type: StoredType;
  readonly id: string;
  readonly version: number;
  /** FHIR instant with microseconds, strictly increasing over all versions of the store. */
  readonly lastUpdated: string;
  readonly text: string;
}

/** Facts by which the small registries are searched. */
export interface RegistryFacts {
  readonly identifiers: readonly Token[];
  /**
   * The Device that a DeviceMetric belongs to, the Patient whose a Device is or who replaces a
   * Patient; targets of a Provenance (`Observation/{id}`).
   */
  readonly references: readonly string[];
}

export interface ObservationSearch {
  readonly ids?: readonly string[];
  /** Person keys as in `Reading.person`; several mean any of them. */
  readonly persons?: readonly string[];
  readonly codes?: readonly Token[];
  readonly categories?: readonly Token[];
  readonly statuses?: readonly string[];
  readonly identifiers?: readonly Token[];
  readonly devices?: readonly string[];
  /** Ids of Observations. */
  readonly derivedFrom?: readonly string[];
  readonly tags?: readonly Token[];
  /** All must hold. Milliseconds for `date`; compared with the Observation's start and end. */
  readonly dates?: readonly DateBound[];
  /** All must hold. FHIR instants with microseconds, compared as text. */
  readonly lastUpdated?: readonly InstantBound[];
  readonly includeHeld: boolean;
  readonly sort: readonly { readonly by: 'date' | '_lastUpdated' | '_id'; readonly descending: boolean }[];
  readonly count: number;
  /** Where the page before ended; from `SearchPage.next`. Carries the snapshot it looks at. */
  readonly cursor?: string;
}

export type Comparator = 'eq' | 'ne' | 'lt' | 'le' | 'gt' | 'ge' | 'sa' | 'eb';
/** The query's own value is an interval (`2026-03` is a whole month): [startMs, endMs]. */
export interface DateBound {
  readonly comparator: Comparator;
  readonly startMs: number;
  readonly endMs: number;
}
export interface InstantBound {
  readonly comparator: Comparator;
  /** First and last instant of the query's value, as UTC text with six decimals. */
  readonly start: string;
  readonly end: string;
}

export interface SearchPage {
  readonly resources: readonly StoredResource[];
  /** Opaque; absent on the last page. Neither skips nor repeats a row while others write. */
  readonly next?: string;
}

export interface Refusal {
  readonly id: string;
  readonly receivedAt: string;
  readonly text: string;
  readonly outcome: string;
}

export interface StoreReader {
  current(type: StoredType, id: string): Promise<StoredResource | undefined>;
  version(type: StoredType, id: string, version: number): Promise<StoredResource | undefined>;
  /** Newest first. */
  history(type: StoredType, id: string): Promise<readonly StoredResource[]>;
  /** Ids of current resources that carry the identifier, at most `limit`. */
  idsByIdentifier(type: StoredType, identifier: Token, limit: number): Promise<readonly string[]>;
  /** What the current version of a registry resource refers to, see `RegistryFacts.references`. */
  referencesOf(type: Exclude<StoredType, 'Observation'>, id: string): Promise<readonly string[]>;
  /** The Observations stored for this fingerprint, the first one first (see `core/fingerprint.ts`). */
  idsByFingerprint(fingerprint: string): Promise<readonly string[]>;
  isFingerprintOf(fingerprint: string, observationId: string): Promise<boolean>;
  /** Current versions of all weights and heights of a person, by effective time. */
  readingsOf(person: string): Promise<readonly Reading[]>;
  /** Current versions of the weights of all persons from one scale that begin within these instants, at most `limit`. */
  weightsOnScale(device: string, fromMs: number, toMs: number, limit: number): Promise<readonly Reading[]>;
  /** The current version of a weight or height, under the person that it is filed for. */
  readingOf(id: string): Promise<Reading | undefined>;
  /** The key that a current reading's person was named by, when that is known. */
  sentAs(id: string): Promise<string | undefined>;
  /** Every key that readings which are filed for a person were sent under, in no order. */
  keysFiledFor(person: string): Promise<readonly string[]>;
  /** Current versions of all derived Observations of a person (BMI and others), whatever their status. */
  standingDerivedOf(person: string): Promise<readonly StandingDerived[]>;
  searchObservations(search: ObservationSearch): Promise<SearchPage>;
  countObservations(search: Omit<ObservationSearch, 'sort' | 'count' | 'cursor'>): Promise<number>;
  /** Registries are small: identifier and reference are all they are searched by. */
  searchRegistry(
    type: Exclude<StoredType, 'Observation'>,
    search: {
      readonly ids?: readonly string[];
      readonly identifiers?: readonly Token[];
      readonly references?: readonly string[];
      readonly count: number;
      readonly cursor?: string;
    },
  ): Promise<SearchPage>;
  /** Newest first; those before the one of the id `before`, where it is given. */
  refusals(limit: number, before?: string): Promise<readonly Refusal[]>;
  /**
   * Keys of the persons who have weights or heights now, each once, in an order that is the
   * store's own: the first `limit`, or the next behind the key `after`.
   */
  personsWithReadings(limit: number, after?: string): Promise<readonly string[]>;
}

/** A store that is looked at and cannot be written to. */
export interface ReadOnlyStore {
  readonly read: StoreReader;
  close(): Promise<void>;
}

export interface StoreWriter extends StoreReader {
  /**
   * Stores the next version of a resource (1 when new) with `meta.versionId` and
   * `meta.lastUpdated` of the store's own making, and returns it as it will be served.
   */
  putObservation(id: string, content: JsonObject, facts: ObservationFacts): Promise<StoredResource>;
  putRegistry(type: Exclude<StoredType, 'Observation'>, id: string, content: JsonObject, facts: RegistryFacts): Promise<StoredResource>;
  addFingerprint(fingerprint: string, observationId: string): Promise<void>;
  addRefusal(refusal: Refusal): Promise<void>;
  /** Files an item behind all others of the same person; returns its number, never used twice. */
  enqueue(item: NewOutboxItem): Promise<number>;
  /**
   * Files the readings that were sent under a key (`Patient/{id}` or a logical one) for the person
   * that it stands for now. What nobody was known for moves along whole, BMI and outbox items too;
   * what was filed for a Patient leaves that one's BMI behind. Returns the keys that lost readings.
   */
  refile(asSent: string, toPerson: string): Promise<readonly string[]>;
  /** What waits or is parked for one person waits for another from now on, at its old place. */
  requeue(fromPerson: string, toPerson: string): Promise<void>;
}

export interface VersionedReference {
  readonly type: 'Observation' | 'Provenance';
  readonly id: string;
  readonly version: number;
}

/** What one reading sends to the EHR: itself, what follows from it, and why. */
export interface NewOutboxItem {
  readonly person: string;
  readonly resources: readonly VersionedReference[];
  /** Observation ids that this item writes or refers to: a parked one holds these back. */
  readonly concerns: readonly string[];
  readonly queuedAt: string;
}

export type OutboxState = 'waiting' | 'parked' | 'sent' | 'discarded';

export interface OutboxItem extends NewOutboxItem {
  readonly number: number;
  readonly state: OutboxState;
  readonly tries: number;
  readonly dueMs: number;
  /** Why it waits or is parked: no patient data. */
  readonly reason?: string;
  /** Number of the parked item that this one depends on. */
  readonly blockedBy?: number;
  /** A worker had claimed it and never said what came of it: it may be sending still. */
  readonly isLapsed?: true;
  /** Told by `claim`: the store was restored from a backup lately, and the EHR may know more than it does. */
  readonly isDistrusted?: true;
}

/** Which parked items an operator means; all conditions must hold. */
export interface ParkedFilter {
  readonly numbers?: readonly number[];
  /** Part of the reason, in upper or lower case. */
  readonly reasonLike?: string;
  /** Queued at or after, and before, these instants (UTC, as `queuedAt` is written). */
  readonly since?: string;
  readonly until?: string;
}

/** A parked item that nothing else holds back, with the numbers of those that wait for it. */
export interface ParkedItem extends OutboxItem {
  readonly holdsBack: readonly number[];
}

/** No item is told to wait longer: an hour that an EHR may ask for, and five minutes of jitter. */
export const LONGEST_WAIT_MS = 3_900_000;

/** Where the EHR keeps its copy of one of our resources. */
export interface EhrCopy {
  readonly type: 'Observation' | 'Provenance';
  readonly id: string;
  /** `Observation/123` at the EHR. */
  readonly reference: string;
  readonly version: number;
}

/**
 * Between workers and operators. A claim hands out `tries`, which no other claim of the item ever
 * gets: with it, `postpone` and `park` do nothing and answer false once another has claimed the item.
 */
export interface OutboxStore {
  /**
   * Due items that are the first waiting of their person, oldest first, not leased by another. None
   * overtakes a waiting one that concerns the same Observation, whoever that one is filed for. A
   * lease that ends later than two begun now would, or a due time beyond `LONGEST_WAIT_MS`, was
   * written before the clock stepped back and counts as over.
   *
   * @param except items that the worker has in hand, whatever became of their leases
   */
  claim(nowMs: number, leaseMs: number, limit: number, except?: readonly number[]): Promise<readonly OutboxItem[]>;
  /** Is the item still that of the claim that got `tries`? */
  holds(number: number, tries: number): Promise<boolean>;
  /**
   * The copies are facts and are kept in any case, and so is that the item was sent, unless it was
   * given up. `late` when it was no longer that of the claim.
   *
   * @param note why somebody should look at it; no patient data
   */
  markSent(
    number: number,
    copies: readonly EhrCopy[],
    facts?: { readonly tries?: number; readonly note?: string },
  ): Promise<'sent' | 'late'>;
  postpone(number: number, dueMs: number, reason: string, tries?: number): Promise<boolean>;
  /** Parks the item and every later waiting item that concerns the same Observations. */
  park(number: number, reason: string, tries?: number): Promise<boolean>;
  /** Notes of a sent item why somebody should look at it; no patient data. */
  flag(number: number, note: string): Promise<void>;
  list(filter: { readonly states?: readonly OutboxState[]; readonly limit: number }): Promise<readonly OutboxItem[]>;
  /** Parked items that a retry would release, oldest first. */
  parked(filter: ParkedFilter): Promise<readonly ParkedItem[]>;
  /** Back to waiting, with the items that it blocked. False when there is no such parked item. */
  retry(number: number, nowMs: number): Promise<boolean>;
  /**
   * Gives up a parked item, or a waiting one that nobody has a lease on; what it blocked waits again.
   * False when there is no such item.
   */
  discard(number: number, reason: string, nowMs: number): Promise<boolean>;
  copyOf(type: EhrCopy['type'], id: string): Promise<EhrCopy | undefined>;
  counts(): Promise<{ readonly waiting: number; readonly parked: number; readonly oldestWaitingAt?: string }>;
  /**
   * For a store that was restored from a backup: every item that waits or is parked may be at the
   * EHR and is looked up before it is sent, and for a while so is what comes. Returns how many.
   */
  distrust(nowMs: number): Promise<number>;
}

export interface Store {
  readonly read: StoreReader;
  readonly outbox: OutboxStore;
  /** Runs one unit of work; resolves after the commit that holds it. Throws StoreUnavailable. */
  write<Result>(work: (tx: StoreWriter) => Promise<Result>): Promise<Result>;
  /** True when a write would commit now. */
  isReady(): Promise<boolean>;
  close(): Promise<void>;
}

/** The store cannot commit now (locked, full, read-only): answer 503 and lose nothing. */
export class StoreUnavailable extends Error {
  readonly code = 'ERR_STORE_UNAVAILABLE';
  constructor(cause: unknown) {
    super('the store cannot commit now', { cause });
    this.name = 'StoreUnavailable';
  }
}

export interface Clock {
  nowMs(): number;
}
