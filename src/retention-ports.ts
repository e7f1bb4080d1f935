/** What a store is asked to forget and to remember of itself, by those who keep it. */
import type { Call } from './caller.ts';

/**
 * What a store remembers of itself. `backup-taken-at`: it is a copy of another store, as that one
 * was at this instant, and has not served since. `restored-at`: since then it serves.
 */
export type MarkName = 'backup-taken-at' | 'restored-at';

export interface StoreMarks {
  readMark(name: MarkName): Promise<string | undefined>;
  writeMark(name: MarkName, value: string): Promise<void>;
  removeMark(name: MarkName): Promise<void>;
}

/** How many rows were removed, by table; tables of which none were are left out. */
export type Removed = Readonly<Record<string, number>>;

export interface LegalHold {
  readonly person: string;
  readonly reason: string;
  /** FHIR instant. */
  readonly since: string;
}

/** What became of the removal of one person's records. */
export type PersonRemoval =
  | { readonly kind: 'removed'; readonly removed: Removed }
  /** Somebody must be able to find them: see `LegalHold`. */
  | { readonly kind: 'on-hold' }
  /** A reading was measured since the instant from which the person was to be quiet. */
  | { readonly kind: 'not-quiet' }
  /** The EHR has not got everything yet, or a reading waits for a decision. */
  | { readonly kind: 'unfinished' };

/** Removal for good. With `dryRun` the same work is done and taken back, so that the counts are exact. */
export interface RetentionStore {
  /** At most `limit` refusals that were received before the instant, oldest first. */
  removeRefusals(before: string, options: RemovalOptions): Promise<Removed>;
  /** At most `limit` outbox items, sent or given up, that were queued before the instant. */
  removeSettledItems(before: string, options: RemovalOptions): Promise<Removed>;
  /** At most `limit` audit events that were recorded before the instant, oldest first; the rest of the chain still verifies. */
  removeAudit(beforeMs: number, options: RemovalOptions): Promise<Removed>;
  /** Every session of the pages: whoever was signed in has to sign in again. */
  removeSessions(options: Omit<RemovalOptions, 'limit'>): Promise<Removed>;
  /** Keys of people whose last reading ended before the instant (milliseconds), in order, behind `after`. */
  quietPersons(beforeMs: number, limit: number, after?: string): Promise<readonly string[]>;
  /** Everything of one person, in every table but the audit: all of it or nothing. With `quietSinceMs` only if nothing of them was measured since. */
  removePerson(person: string, options: Omit<RemovalOptions, 'limit'> & { readonly quietSinceMs?: number }): Promise<PersonRemoval>;
  /** Nothing of this person is removed until the hold is released. A second one replaces the first. */
  hold(hold: LegalHold, by?: Call): Promise<void>;
  /** False when there was none. */
  release(person: string, by?: Call): Promise<boolean>;
  holds(): Promise<readonly LegalHold[]>;
}

export interface RemovalOptions {
  readonly limit: number;
  readonly dryRun: boolean;
  /** Whose command it is; what is removed is audited with it, in the same unit of work. */
  readonly by?: Call;
}
