/**
 * What the use case needs from the outside: a store, and nothing more. The least of it.
 *
 * All writing happens in units of work. A unit sees the store as it is when its turn comes,
 * alone; what it wrote is durable when `write` resolves (commit, then answer), or not there at all.
 */
import type { AuditReader } from './audit-ports.ts';
import type { NewAuditEvent } from './core/audit/event.ts';
import type { JsonObject } from './core/json.ts';
import type { ObservationFacts, Token } from './core/facts.ts';
import type { Reading, StandingDerived } from './core/reading.ts';
import type { ExportStore } from './export-ports.ts';
import type { ItemsBehind, NewOutboxItem, OutboxItem, OutboxStore } from './outbox-ports.ts';
import type { RetentionStore, StoreMarks } from './retention-ports.ts';
import type { DateBound, InstantBound } from './search-bounds.ts';
import type { SessionStore } from './session-ports.ts';
import type { StoredResource, StoredType } from './stored-resource.ts';
import type { SubscriptionStore } from './subscription-ports.ts';

export type {
  AuditFault,
  AuditPage,
  AuditPagesVerdict,
  AuditPlace,
  AuditReader,
  AuditSearch,
  AuditVerdict,
  StoredAuditEvent,
  VersionsVerdict,
} from './audit-ports.ts';
export {
  LONGEST_WAIT_MS,
  type EhrCopy,
  type ItemsBehind,
  type NewOutboxItem,
  type OutboxItem,
  type OutboxState,
  type OutboxStore,
  type ParkedFilter,
  type ParkedItem,
  type VersionedReference,
} from './outbox-ports.ts';
export type { LegalHold, MarkName, PersonRemoval, RemovalOptions, Removed, RetentionStore, StoreMarks } from './retention-ports.ts';
export type { Comparator, DateBound, InstantBound } from './search-bounds.ts';
export type { EndedSessions, PageSession, SessionStore } from './session-ports.ts';
export type { ExportJob, ExportLimits, ExportPage, ExportStore, NewExport } from './export-ports.ts';
export type {
  ClaimedSubscription,
  EventPage,
  NewSubscription,
  StoredSubscription,
  SubscriptionEvent,
  SubscriptionFailure,
  SubscriptionFigures,
  SubscriptionFilter,
  SubscriptionState,
  SubscriptionStore,
} from './subscription-ports.ts';
export type { ObservationFacts, StoredResource, StoredType, Token };

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

export interface SearchPage {
  readonly resources: readonly StoredResource[];
  /** Opaque; absent on the last page. Neither skips nor repeats a row while others write. */
  readonly next?: string;
}

export interface Refusal {
  readonly id: string;
  readonly receivedAt: string;
  readonly text: string;
  /** An OperationOutcome as JSON text. */
  readonly outcome: string;
  /** The client that sent it, where one is known. */
  readonly client?: string;
}

/** `since`: from when on it has been held without a break, a FHIR instant. */
export interface HeldReading {
  readonly reading: Reading;
  readonly since: string;
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
  /** An earlier version of a weight or height as it was decoded then, under the person that it is filed for now. */
  readingAt(id: string, version: number): Promise<Reading | undefined>;
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
  /** How many were received at the instant or later. */
  countRefusals(since: string): Promise<number>;
  /** Since when a reading has been held, or the one that has been held longest; undefined when none is. A FHIR instant. */
  heldSince(id?: string): Promise<string | undefined>;
  /** Readings that are held now, those that have been held longest first, at most `limit`. */
  heldReadings(limit: number): Promise<readonly HeldReading[]>;
  /** A text that changes whenever a reading comes to be held, is held no longer, or is held otherwise. */
  heldMark(): Promise<string>;
  /**
   * Keys of the persons who have weights or heights now, each once, in an order that is the
   * store's own: the first `limit`, or the next behind the key `after`.
   */
  personsWithReadings(limit: number, after?: string): Promise<readonly string[]>;
}

/** A store that is looked at and cannot be written to. */
export interface ReadOnlyStore {
  readonly read: StoreReader;
  readonly audit: AuditReader;
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
  /** The greatest number that an outbox item has; 0 when there is none. What is filed from now on has a greater one. */
  lastItem(): Promise<number>;
  /**
   * Takes the items out of the outbox before anybody has claimed one, and returns them. Undefined, and
   * none is taken out, when one has gone to the EHR or may have.
   */
  withdraw(items: ItemsBehind): Promise<readonly OutboxItem[] | undefined>;
  /** Versions of an Observation that were to go to the EHR only in items that were withdrawn. */
  withdrawnVersions(observationId: string): Promise<ReadonlySet<number>>;
  /**
   * Files the readings that were sent under a key (`Patient/{id}` or a logical one) for the person
   * that it stands for now. What nobody was known for moves along whole, BMI and outbox items too;
   * what was filed for a Patient leaves that one's BMI behind. Returns the keys that lost readings.
   */
  refile(asSent: string, toPerson: string): Promise<readonly string[]>;
  /** What waits or is parked for one person waits for another from now on, at its old place. */
  requeue(fromPerson: string, toPerson: string): Promise<void>;
  /** Versions that this unit of work has stored so far, in order. */
  readonly written: readonly WrittenVersion[];
  /**
   * Appends an event to the audit chain, in the same unit of work as what it speaks of: they are
   * there together or not at all. Returns its number, which is the last one plus 1.
   */
  addAudit(event: NewAuditEvent): Promise<number>;
  /**
   * Removes the oldest events that were recorded before the instant, at most `limit`, and keeps the
   * link by which the rest still verifies. Stops at the first one that is younger. Returns how many.
   */
  purgeAuditBefore(instantMs: number, limit: number): Promise<number>;
}

/** `person`: the key that an Observation is filed for. */
export interface WrittenVersion extends Pick<StoredResource, 'type' | 'id' | 'version'> {
  /** Of the text as it is stored, for the audit event. */
  readonly digest: string;
  readonly person?: string;
}

/** What came of a group of units of work that were to be stored together. */
export interface Commit {
  readonly units: number;
  readonly durationMs: number;
  /** False when nothing of it is stored. */
  readonly isStored: boolean;
}
export type CommitListener = (commit: Commit) => void;

export interface Store {
  readonly read: StoreReader;
  readonly outbox: OutboxStore;
  readonly audit: AuditReader;
  readonly sessions: SessionStore;
  readonly subscriptions: SubscriptionStore;
  readonly exports: ExportStore;
  /** Runs one unit of work; resolves after the commit that holds it. Throws StoreUnavailable. */
  write<Result>(work: (tx: StoreWriter) => Promise<Result>): Promise<Result>;
  /** Units of work that wait for their turn: how far writing is behind. */
  waitingUnits(): number;
  /** Whoever is to hear of each commit from now on; must not throw. */
  onCommit(listener: CommitListener): void;
  /** True when a write would commit now. */
  isReady(): Promise<boolean>;
  close(): Promise<void>;
}

/** A store as those see it who keep it: they start the service on it, move it and clear it out. */
export interface KeptStore extends Store {
  readonly marks: StoreMarks;
  readonly retention: RetentionStore;
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
