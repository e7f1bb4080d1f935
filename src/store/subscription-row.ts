/** Subscriptions as rows and as what others see; which of them a worker may take now. */
import { sql, type Expression, type ExpressionBuilder, type Kysely, type Selectable } from 'kysely';
import { toInstant } from '../core/fhir-time.ts';
import { LONGEST_WAIT_MS, type ClaimedSubscription, type StoredSubscription, type SubscriptionFilter } from '../ports.ts';
import type { StoreSchema, SubscriptionTable } from './schema.ts';
import { NEWEST_SEQ } from './subscription-events.ts';

export type SubscriptionRow = Selectable<SubscriptionTable>;
type Rows = ExpressionBuilder<StoreSchema, 'subscription'>;

/** Is on, has something to say, and is due; a due time that no failure gives was written before the clock stepped back. */
export function hasWork(eb: Rows, nowMs: number) {
  return eb.and([
    eb('state', '<>', 'off'),
    eb.or([eb('ends_ms', 'is', null), eb('ends_ms', '>', nowMs)]),
    eb.or([eb('due_ms', '<=', nowMs), eb('due_ms', '>', nowMs + LONGEST_WAIT_MS)]),
    eb.or([eb('greeted', '=', 0), eb('delivered', '<', eb.ref('numbered')), eb('scanned_seq', '<', NEWEST_SEQ)]),
  ]);
}

/** As in `outbox-filing.ts`: a lease that ends too far ahead was given before the clock stepped back. */
export function isUnleased(eb: Rows, instant: Expression<number>, leaseMs: number) {
  return eb.or([
    eb('leased_until_ms', 'is', null),
    eb('leased_until_ms', '<=', instant),
    eb('leased_until_ms', '>', sql<number>`${instant} + ${2 * leaseMs}`),
  ]);
}

export function toSubscription(row: SubscriptionRow, nowMs: number): StoredSubscription {
  const { ends_ms: endsMs } = row;
  const hasEnded = endsMs !== null && endsMs <= nowMs;
  return {
    number: row.number,
    id: row.id,
    text: row.content,
    filter: JSON.parse(row.filter) as SubscriptionFilter,
    state: hasEnded ? 'off' : row.state,
    numbered: row.numbered,
    delivered: row.delivered,
    updatedAt: hasEnded ? toInstant(endsMs) : row.updated_at,
    ...(endsMs !== null && { endsMs }),
    ...(row.error !== null && !hasEnded && { error: row.error }),
  };
}

export function toClaimed(row: SubscriptionRow, nowMs: number): ClaimedSubscription {
  return {
    ...toSubscription(row, nowMs),
    claim: row.claims,
    isGreeted: row.greeted === 1,
    failures: row.failures,
    ...(row.failing_since_ms !== null && { failingSinceMs: row.failing_since_ms }),
  };
}

/** Stands in each Subscription that was on when its store was put back. */
const OFF_SINCE_RESTORED =
  'The store was put back from a backup, so that event numbers would be given a second time. Delete this Subscription and make it anew; $export fetches what was missed.';

/** For a store that does not know what it sent since a backup: what goes on counting would give a number to two events. */
export async function turnAllOff(db: Kysely<StoreSchema>, nowMs: number): Promise<void> {
  await db
    .updateTable('subscription')
    .set((eb) => ({
      state: 'off' as const,
      error: OFF_SINCE_RESTORED,
      claims: eb('claims', '+', 1),
      leased_until_ms: null,
      updated_at: toInstant(nowMs),
    }))
    .where('state', '<>', 'off')
    .execute();
}
