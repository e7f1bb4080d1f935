/** What is asked of the audit: one event, a search, and whether the chain holds. */
import type { Token } from './core/facts.ts';
import type { DateBound } from './search-bounds.ts';

/** A place in the audit chain: the number of an event, 0 before the first, and the SHA-256 there, in hex. */
export interface AuditPlace {
  readonly number: number;
  readonly hash: string;
}

export interface AuditSearch {
  readonly ids?: readonly string[];
  /** Keys as in `core/audit/facts.ts`. All lists must hold, any of a list. */
  readonly references?: readonly (readonly string[])[];
  /** Client or user, by `core/audit/codes.ts` AGENT_SYSTEM; any system when there is none. */
  readonly agents?: readonly Token[];
  readonly actions?: readonly string[];
  readonly outcomes?: readonly string[];
  readonly subtypes?: readonly Token[];
  readonly dates?: readonly DateBound[];
  readonly count: number;
  /** Where the page before ended; from `AuditPage.next`. */
  readonly cursor?: string;
}

export interface StoredAuditEvent {
  readonly id: string;
  /** The AuditEvent as it is served. */
  readonly text: string;
}

/** Newest first. */
export interface AuditPage {
  readonly events: readonly StoredAuditEvent[];
  readonly next?: string;
}

/**
 * What is wrong with the first bad row of the chain. `altered`: its content or a column of it was
 * changed. `removed`: it is not there. `out-of-order`: it stands at another row's place. `inserted`:
 * it stands where the store wrote none.
 * `rewritten`: it was changed together with its hash, which the row behind it gives away.
 * `not-as-noted`: it is not the head that was noted of an earlier time, though the chain is whole.
 */
export type AuditFault = 'altered' | 'removed' | 'out-of-order' | 'inserted' | 'rewritten' | 'not-as-noted';

export interface AuditVerdict {
  /** Events that were looked at and are as they were written. */
  readonly verified: number;
  readonly firstRecorded?: string;
  readonly lastRecorded?: string;
  /** Where the chain begins: behind what retention removed. */
  readonly anchor: AuditPlace;
  readonly head: AuditPlace;
  /** The first bad row. */
  readonly bad?: { readonly number: number; readonly fault: AuditFault };
  /** Absent when the chain itself is bad: then its hashes prove nothing. */
  readonly versions?: VersionsVerdict;
  /** The place to compare with lies before the anchor: nothing can be said of it. */
  readonly notedWasRemoved?: true;
}

/** What became of the versions that the events of the chain have a hash of. */
export interface VersionsVerdict {
  /** Those that read as they were written. */
  readonly checked: number;
  /** Those that are there and have no hash: written by an earlier release, or their event was removed by retention. */
  readonly notChecked: number;
  /** Those that are not there any more, as after a person was removed. */
  readonly gone: number;
  /** The first one that reads otherwise than it was written: `Observation/a/_history/2`. */
  readonly bad?: string;
}

export interface AuditPagesVerdict {
  /** Where the next piece begins; absent when the head was reached. */
  readonly reached?: AuditPlace;
  readonly bad?: { readonly number: number; readonly fault: AuditFault };
}

export interface AuditReader {
  event(id: string): Promise<StoredAuditEvent | undefined>;
  /** Throws ServiceError ERR_BAD_VALUE for a cursor that it did not give. */
  search(search: AuditSearch): Promise<AuditPage>;
  head(): Promise<AuditPlace>;
  /**
   * Goes through the whole chain, a page at a time, also while others append to it.
   *
   * @param noted a head that was noted earlier, outside the store: only it shows that rows at the end were rewritten
   */
  verify(noted?: AuditPlace): Promise<AuditVerdict>;
  /**
   * A piece of the same: the events behind `from`, which an earlier piece reached, as far as one
   * page goes. From the beginning of the chain when `from` is absent or retention has removed it.
   */
  verifyPage(from?: AuditPlace): Promise<AuditPagesVerdict>;
}
