/** What became of subscriptions, and what was sent to whom, as audit events in the unit of work that does it. */
import type { Kysely } from 'kysely';
import type { Call } from '../caller.ts';
import { toAuditEvent, type AuditedFacts } from '../core/audit/event.ts';
import { addAudit } from './audit-writing.ts';
import type { StoreSchema } from './schema.ts';
import { readEvents } from './subscription-events.ts';
import type { SubscriptionRow } from './subscription-row.ts';

type Db = Kysely<StoreSchema>;

export async function auditSubscription(db: Db, facts: AuditedFacts, call?: Call): Promise<void> {
  await addAudit(db, toAuditEvent({ ...facts, ...(call && { caller: call.caller, requestId: call.requestId }) }));
}

/** The sending side records what it sent, of whom and to whom (IHE ATNA). */
export async function auditNotified(db: Db, { id, number, delivered }: SubscriptionRow, upTo: number, nowMs: number): Promise<void> {
  const events = await readEvents(db, number, delivered + 1, upTo, upTo - delivered);
  await auditSubscription(db, {
    recordedMs: nowMs,
    event: 'notified',
    outcome: 'success',
    outgoing: true,
    persons: events.flatMap(({ person }) => person ?? []),
    resources: [
      `Subscription/${id}`,
      ...events.flatMap(({ resource }) => (resource ? [`${resource.type}/${resource.id}/_history/${resource.version}`] : [])),
    ],
    details: [['events', `${delivered + 1} to ${upTo}`]],
  });
}
