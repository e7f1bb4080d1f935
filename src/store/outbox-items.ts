/** Outbox items as rows and as what workers and operators see; which of them may be taken now. */
import type { Expression, ExpressionBuilder, Kysely, Selectable } from 'kysely';
import { LONGEST_WAIT_MS, type OutboxItem, type VersionedReference } from '../ports.ts';
import { isUnleased, UNDOABLE } from './outbox-filing.ts';
import type { OutboxItemTable, StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** Only the first waiting item of a person: the next one must not overtake it, even while it is postponed. */
export function claimableItems(
  db: Db,
  {
    nowMs,
    instant,
    leaseMs,
    except,
  }: { readonly nowMs: number; readonly instant: Expression<number>; readonly leaseMs: number; readonly except: readonly number[] },
) {
  return db
    .selectFrom('outbox_item')
    .select('number')
    .where('number', 'in', (eb) =>
      eb
        .selectFrom('outbox_item as first')
        .select((first) => first.fn.min('first.number').as('number'))
        .where('first.state', '=', 'waiting')
        .groupBy('first.person'),
    )
    .where('state', '=', 'waiting')
    .where(isDue(nowMs))
    .where(isUnleased(instant, leaseMs))
    .$if(except.length > 0, (query) => query.where('number', 'not in', except))
    .where((eb) => eb.not(eb.exists(olderOfSameObservation)));
}

/** As long as a decision can be taken back at most. */
const LONGEST_FIRST_WAIT_MS = 300_000;

/**
 * What was never tried has nothing to wait for but that a decision may be taken back, and what was
 * claimed before was due then: the clock may have been set back since.
 */
function isDue(nowMs: number) {
  return (eb: ExpressionBuilder<StoreSchema, 'outbox_item'>) =>
    eb.or([
      eb('due_ms', '<=', nowMs),
      eb('due_ms', '>', nowMs + LONGEST_WAIT_MS),
      eb.and([
        eb('tries', '=', 0),
        eb.or([eb('reason', 'is', null), eb('reason', '<>', UNDOABLE), eb('due_ms', '>', nowMs + LONGEST_FIRST_WAIT_MS)]),
      ]),
      eb('leased_until_ms', 'is not', null),
    ]);
}

/** After a merge was taken back, what concerns one reading may wait for two persons. */
function olderOfSameObservation(eb: ExpressionBuilder<StoreSchema, 'outbox_item'>) {
  return eb
    .selectFrom('outbox_concern as own')
    .innerJoin('outbox_concern as shared', 'shared.observation_id', 'own.observation_id')
    .innerJoin('outbox_item as older', 'older.number', 'shared.number')
    .select('older.number')
    .whereRef('own.number', '=', 'outbox_item.number')
    .whereRef('shared.number', '<', 'own.number')
    .where('older.state', '=', 'waiting');
}

/** Why an item that was never settled is tried again; stands there until this try is settled. */
export const LAPSED = 'the worker that had it never said what came of it';

/** No more in one query, whatever database is under it. */
const MOST_AT_ONCE = 500;

export async function readItems(db: Db, rows: readonly Selectable<OutboxItemTable>[]): Promise<OutboxItem[]> {
  const items: OutboxItem[] = [];
  for (let from = 0; from < rows.length; from += MOST_AT_ONCE) items.push(...(await readSome(db, rows.slice(from, from + MOST_AT_ONCE))));
  return items;
}

async function readSome(db: Db, rows: readonly Selectable<OutboxItemTable>[]): Promise<OutboxItem[]> {
  const concerns = await db
    .selectFrom('outbox_concern')
    .select(['number', 'observation_id'])
    .where(
      'number',
      'in',
      rows.map(({ number }) => number),
    )
    .orderBy('number')
    .orderBy('position')
    .execute();
  const concernsOf = new Map<number, string[]>(rows.map(({ number }) => [number, []]));
  for (const { number, observation_id } of concerns) concernsOf.get(number)?.push(observation_id);
  return rows.map((row) => ({
    number: row.number,
    person: row.person,
    resources: JSON.parse(row.resources) as VersionedReference[],
    concerns: concernsOf.get(row.number) ?? [],
    queuedAt: row.queued_at,
    state: row.state,
    tries: row.tries,
    dueMs: row.due_ms,
    ...(row.reason !== null && { reason: row.reason }),
    ...(row.blocked_by !== null && { blockedBy: row.blocked_by }),
    ...(row.request_id !== null && { requestId: row.request_id }),
    ...(row.trace_parent !== null && { traceParent: row.trace_parent }),
    ...(row.reason === LAPSED && { isLapsed: true as const }),
  }));
}
