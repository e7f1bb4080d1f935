/**
 * One audit event as a row: its place in the chain, and what it is searched by, which is all read
 * off the content, so that a column that was changed by hand differs from it and is found.
 *
 * The hash is SHA-256 (FIPS 180-4) over the hash before, a line feed and the exact text of the content.
 * The content holds the number as the event's id.
 */
import { createHash } from 'node:crypto';
import type { Selectable } from 'kysely';
import type { NewAuditEvent } from '../core/audit/event.ts';
import { auditFactsOf } from '../core/audit/facts.ts';
import type { AuditPlace } from '../ports.ts';
import type { AuditEventTable } from './schema.ts';

export type AuditRow = Selectable<AuditEventTable>;

export interface AuditRecord {
  readonly row: AuditRow;
  /** Each once, in order of their code points. */
  readonly references: readonly string[];
}

/** The event behind `previous` in the chain. */
export function toAuditRecord(event: NewAuditEvent, previous: AuditPlace): AuditRecord {
  const number = previous.number + 1;
  const { resourceType, ...rest } = event;
  return recordOf(number, JSON.stringify({ resourceType, id: String(number), ...rest }), previous.hash);
}

/** The record that a content stands for at a place. Throws SyntaxError or TypeError when it is no AuditEvent. */
export function recordOf(number: number, content: string, previousHash: string): AuditRecord {
  const { recordedMs, action, outcome, interaction, event, client, user, references } = auditFactsOf(JSON.parse(content) as NewAuditEvent);
  return {
    references,
    row: {
      number,
      recorded_ms: recordedMs,
      action,
      outcome,
      interaction: interaction ?? null,
      event: event ?? null,
      client: client ?? null,
      user_id: user ?? null,
      content,
      previous_hash: previousHash,
      hash: chainHash(previousHash, content),
    },
  };
}

/** Which number the content itself says it has; undefined when it says none. */
export function ownNumberIn(content: string): number | undefined {
  const { id } = JSON.parse(content) as { readonly id?: unknown };
  return typeof id === 'string' && /^[1-9]\d{0,15}$/.test(id) ? Number(id) : undefined;
}

export function chainHash(previousHash: string, content: string): string {
  return createHash('sha256').update(previousHash).update('\n').update(content).digest('hex');
}
