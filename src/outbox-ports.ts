/** The outbox as the forwarder and the operator use it: what is to go to the EHR, and what became of it. */
import type { Call } from './caller.ts';

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
  /** Of the call that it comes from, sent on to the EHR; absent when the service itself made it. */
  readonly requestId?: string;
  /** W3C Trace Context of that call, while calls are traced. */
  readonly traceParent?: string;
  /** It follows from a decision that can be taken back: due no earlier than this. */
  readonly notBeforeMs?: number;
}

/** Items that were filed behind the one of a number, for these persons or concerning these Observations. */
export interface ItemsBehind {
  readonly number: number;
  readonly persons: readonly string[];
  readonly observations: readonly string[];
}

export type OutboxState = 'waiting' | 'parked' | 'sent' | 'discarded';

export interface OutboxItem extends Omit<NewOutboxItem, 'notBeforeMs'> {
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
   * overtakes a waiting one that concerns the same Observation, whoever that one is filed for. What
   * was never tried (and does not follow from a decision that can be taken back), or never settled, is due. A lease that ends later than two begun now would, or a due time beyond `LONGEST_WAIT_MS`, was
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
  /**
   * Back to waiting, with the items that it blocked. False when there is no such parked item.
   *
   * @param by whose call it is, for the audit
   */
  retry(number: number, nowMs: number, by?: Call): Promise<boolean>;
  /**
   * Gives up a parked item, or a waiting one that nobody has a lease on; what it blocked waits again.
   * False when there is no such item.
   */
  discard(number: number, reason: string, nowMs: number, by?: Call): Promise<boolean>;
  copyOf(type: EhrCopy['type'], id: string): Promise<EhrCopy | undefined>;
  /** When the first of the items is due (ms); `gone` when one has gone to the EHR or may have; undefined when there is none. */
  dueOf(items: ItemsBehind): Promise<number | 'gone' | undefined>;
  /** Is there an item behind the number that concerns the Observation and that nobody has claimed yet? */
  isAwaited(observationId: string, behind: number): Promise<boolean>;
  counts(): Promise<{ readonly waiting: number; readonly parked: number; readonly oldestWaitingAt?: string }>;
  /**
   * For a store that was restored from a backup: every item that waits or is parked may be at the
   * EHR and is looked up before it is sent, and for a while so is what comes. Returns how many.
   * Subscriptions are turned off: their numbers would be given a second time.
   */
  distrust(nowMs: number, by?: Call): Promise<number>;
}
