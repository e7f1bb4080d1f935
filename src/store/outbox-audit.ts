/**
 * What became of an outbox item, as an audit event in the unit of work that marks it: the sending
 * side records as well as the receiving one (IHE ATNA). A try that is put off leaves no event of its
 * own; the event of the end says how many tries there were.
 */
import type { Kysely } from 'kysely';
import type { AuditedCaller, AuditedFacts } from '../core/audit/event.ts';
import { toAuditEvent } from '../core/audit/event.ts';
import { logicalKey } from '../core/pointers.ts';
import { OURS } from '../core/terminology.ts';
import type { EhrCopy, VersionedReference } from '../ports.ts';
import { addAudit } from './audit-writing.ts';
import type { StoreSchema } from './schema.ts';

interface Ending {
  readonly number: number;
  readonly event: 'sent' | 'parked' | 'outbox-retry' | 'outbox-discard';
  readonly recordedMs: number;
  readonly copies?: readonly EhrCopy[];
  /** Why: holds no patient data. */
  readonly reason?: string;
  /** The operator; absent for what the forwarder does. */
  readonly by?: { readonly requestId: string; readonly caller: AuditedCaller };
}

export async function auditEnding(db: Kysely<StoreSchema>, { number, event, recordedMs, copies = [], reason, by }: Ending): Promise<void> {
  const item = await db
    .selectFrom('outbox_item')
    .select(['person', 'tries', 'resources'])
    .where('number', '=', number)
    .executeTakeFirstOrThrow();
  const resources = JSON.parse(item.resources) as VersionedReference[];
  const isSending = event === 'sent' || event === 'parked';
  const facts: AuditedFacts = {
    recordedMs,
    event,
    outcome: event === 'parked' ? 'serious' : 'success',
    ...(isSending ? { interaction: 'transaction' as const, outgoing: true } : { caller: by?.caller ?? {} }),
    ...(by && { requestId: by.requestId }),
    persons: [item.person],
    resources: [
      logicalKey({ system: OURS.outboxIdentifier, value: String(number) }),
      ...resources.map(({ type, id, version }) => `${type}/${id}/_history/${version}`),
    ],
    details: [
      ['tries', String(item.tries)],
      ...(reason === undefined ? [] : [['reason', reason] as const]),
      ...copies.map(({ reference }) => ['copy', reference] as const),
    ],
  };
  await addAudit(db, toAuditEvent(facts));
}
