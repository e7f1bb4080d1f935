/**
 * The tables of the store as the query layer sees them; the DDL is in `migrations/`.
 *
 * Only TEXT and INTEGER, so that one set of queries runs on SQLite and PostgreSQL. Columns of
 * compact text (`reading`, `standing`, `resources`) are read whole and never searched.
 */
import type { Generated } from 'kysely';
import type { EhrCopy, MarkName, OutboxState, StoredType, SubscriptionState } from '../ports.ts';

/** One row per version of a resource; rows are superseded, never changed otherwise, never deleted. */
export interface ResourceVersionTable {
  /** Order of writing; never used twice. */
  readonly seq: Generated<number>;
  readonly type: StoredType;
  readonly id: string;
  readonly version: number;
  readonly last_updated: string;
  readonly content: string;
  /** `seq` of the version that replaced this one; null while current. */
  readonly superseded_seq: number | null;
  /** See `version-digest.ts`; null in rows that are older than it. */
  readonly salt: string | null;
}

/** What an Observation version is searched by; `seq` is that of its version. */
export interface ObservationTable {
  readonly seq: number;
  readonly person: string;
  /** The key that a reading's person was named by; null for what follows from readings. */
  readonly person_as_sent: string | null;
  /** How often it was filed for another Patient before. */
  readonly moves: number;
  /** What it is about; a derived figure is filed under the measure that it speaks of. */
  readonly quantified: 'weight' | 'height' | 'bmi';
  readonly status: string;
  /** 0 or 1. */
  readonly held: number;
  readonly start_ms: number;
  readonly end_ms: number;
  readonly device: string | null;
  /** A decoded weight or height, see `reading-row.ts`. */
  readonly reading: string | null;
  /** What a derived figure says and was derived from, see `reading-row.ts`. */
  readonly standing: string | null;
}

export type TokenRole = 'code' | 'identifier' | 'category' | 'tag' | 'derived-from' | 'reference';

/** Tokens and references of a version. `system` is empty when there is none. */
export interface SearchTokenTable {
  readonly seq: number;
  readonly role: TokenRole;
  readonly system: string;
  readonly value: string;
}

export interface FingerprintTable {
  readonly number: Generated<number>;
  readonly fingerprint: string;
  readonly observation_id: string;
}

export interface RefusalTable {
  readonly number: Generated<number>;
  readonly id: string;
  readonly received_at: string;
  readonly content: string;
  readonly outcome: string;
  /** Who sent it; null where nobody has to say so, and in rows that are older than the column. */
  readonly client: string | null;
}

export interface OutboxItemTable {
  readonly number: Generated<number>;
  readonly person: string;
  readonly state: OutboxState;
  readonly tries: number;
  readonly due_ms: number;
  /** Until when a worker has it; null when nobody does. */
  readonly leased_until_ms: number | null;
  readonly reason: string | null;
  readonly blocked_by: number | null;
  readonly queued_at: string;
  /** JSON array of VersionedReference. */
  readonly resources: string;
  /** Of the call that it comes from. */
  readonly request_id: string | null;
  readonly trace_parent: string | null;
}

export interface OutboxConcernTable {
  readonly number: number;
  readonly position: number;
  readonly observation_id: string;
}

export interface EhrCopyTable {
  readonly type: EhrCopy['type'];
  readonly id: string;
  readonly reference: string;
  readonly version: number;
}

/** One row per audit event. Every column but the two hashes is read off `content`; see `audit-row.ts`. */
export interface AuditEventTable {
  /** 1, 2, 3, … without gaps. */
  readonly number: number;
  readonly recorded_ms: number;
  readonly action: string;
  readonly outcome: string;
  readonly interaction: string | null;
  readonly event: string | null;
  readonly client: string | null;
  readonly user_id: string | null;
  readonly content: string;
  readonly previous_hash: string;
  readonly hash: string;
}

/** What an audit event concerns, see `core/audit/facts.ts`. */
export interface AuditReferenceTable {
  readonly number: number;
  readonly reference: string;
}

/** Two rows: `head` is the last event; `anchor` the last one that was removed, 0 while none was. */
export interface AuditPlaceTable {
  readonly name: 'head' | 'anchor';
  readonly number: number;
  readonly hash: string;
}

export interface MigrationTable {
  readonly number: number;
  readonly name: string;
  readonly applied_at: string;
}

export interface MarkTable {
  readonly name: MarkName;
  readonly value: string;
}

export interface LegalHoldTable {
  readonly person: string;
  readonly reason: string;
  readonly since: string;
}

/** See `session-ports.ts`. */
export interface PageSessionTable {
  readonly digest: string;
  readonly issuer: string;
  readonly subject: string;
  readonly fhir_user: string | null;
  readonly name: string | null;
  /** With blanks between. */
  readonly roles: string;
  readonly created_ms: number;
  readonly used_ms: number;
  readonly expires_ms: number;
}

export interface SubscriptionTable {
  readonly number: Generated<number>;
  readonly id: string;
  readonly content: string;
  /** JSON of a SubscriptionFilter. */
  readonly filter: string;
  readonly ends_ms: number | null;
  readonly state: SubscriptionState;
  readonly error: string | null;
  /** 0 or 1: the subscriber has answered the greeting. */
  readonly greeted: number;
  /** Every version up to this `seq` is numbered, or is none that it is told of. */
  readonly scanned_seq: number;
  readonly numbered: number;
  readonly delivered: number;
  /** How often it was claimed: the fencing token. */
  readonly claims: number;
  readonly leased_until_ms: number | null;
  readonly due_ms: number;
  readonly failures: number;
  readonly failing_since_ms: number | null;
  readonly updated_at: string;
}

export interface SubscriptionEventTable {
  readonly subscription: number;
  readonly number: number;
  /** Null once the version was removed for good. */
  readonly seq: number | null;
  readonly numbered_at: string;
}

export interface ExportJobTable {
  readonly number: Generated<number>;
  readonly id: string;
  readonly client: string | null;
  readonly request: string;
  readonly since: string | null;
  /** `seq` of the newest version that it can hold. */
  readonly snapshot: number;
  readonly transaction_time: string;
  readonly counted_seq: number;
  /** JSON array of the parts' counts. */
  readonly counts: string;
  readonly created_ms: number;
  readonly expires_ms: number;
}

/** One row, written by the readiness check. */
export interface HealthTable {
  readonly id: number;
  readonly checks: number;
}

export interface StoreSchema {
  readonly resource_version: ResourceVersionTable;
  readonly observation: ObservationTable;
  readonly search_token: SearchTokenTable;
  readonly fingerprint: FingerprintTable;
  readonly refusal: RefusalTable;
  readonly outbox_item: OutboxItemTable;
  readonly outbox_concern: OutboxConcernTable;
  readonly ehr_copy: EhrCopyTable;
  readonly audit_event: AuditEventTable;
  readonly audit_reference: AuditReferenceTable;
  readonly audit_place: AuditPlaceTable;
  readonly migration: MigrationTable;
  readonly health: HealthTable;
  readonly mark: MarkTable;
  readonly legal_hold: LegalHoldTable;
  readonly page_session: PageSessionTable;
  readonly subscription: SubscriptionTable;
  readonly subscription_event: SubscriptionEventTable;
  readonly export_job: ExportJobTable;
}
