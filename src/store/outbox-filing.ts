/**
 * Which outbox items wait and which are parked.
 *
 * An item depends on an older one when both concern the same Observation. What depends on a parked
 * item, directly or through others, is parked with it and names it in `blocked_by`; the person's
 * other items go on.
 */
import { sql, type Expression, type ExpressionBuilder, type Kysely } from 'kysely';
import type { NewOutboxItem } from '../ports.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;
type Items = ExpressionBuilder<StoreSchema, 'outbox_item'>;

/** No worker leases an item for longer: a lease must outlast a few calls of seconds each. */
const LONGEST_LEASE_MS = 1_800_000;

/** Why an item that was never tried waits all the same; stands there until it is claimed. */
export const UNDOABLE = 'waits a moment, so that the decision that it follows from can be taken back';

/** Files an item behind all others; returns its number, which is never used again. */
export async function enqueue(
  db: Db,
  { person, resources, concerns, queuedAt, requestId, traceParent, notBeforeMs }: NewOutboxItem,
): Promise<number> {
  const { number } = await db
    .insertInto('outbox_item')
    .values({
      person,
      state: 'waiting',
      tries: 0,
      due_ms: notBeforeMs ?? Date.parse(queuedAt),
      leased_until_ms: null,
      reason: notBeforeMs === undefined ? null : UNDOABLE,
      blocked_by: null,
      queued_at: queuedAt,
      resources: JSON.stringify(resources.map(({ type, id, version }) => ({ type, id, version }))),
      request_id: requestId ?? null,
      trace_parent: traceParent ?? null,
    })
    .returning('number')
    .executeTakeFirstOrThrow();
  const rows = [...new Set(concerns)].map((observation_id, position) => ({ number, position, observation_id }));
  if (rows.length > 0) await db.insertInto('outbox_concern').values(rows).execute();
  await parkBehindBlocker(db, number);
  return number;
}

/** Parks the item, and behind it what depends on it. False when it does not wait, or not for this claim. */
export async function park(db: Db, number: number, reason: string, tries?: number): Promise<boolean> {
  const parked = await db
    .updateTable('outbox_item')
    .set({ state: 'parked', reason, leased_until_ms: null })
    .where('number', '=', number)
    .where('state', '=', 'waiting')
    .where(isClaim(tries))
    .returning('number')
    .execute();
  let blocking = parked.map((row) => row.number);
  while (blocking.length > 0) {
    const blocked = await waitingDependantsOf(db, blocking);
    for (const dependant of blocked) await setBlocked(db, dependant, number);
    blocking = blocked;
  }
  return parked.length > 0;
}

async function waitingDependantsOf(db: Db, numbers: readonly number[]): Promise<number[]> {
  const rows = await db
    .selectFrom('outbox_concern as parked')
    .innerJoin('outbox_concern as shared', 'shared.observation_id', 'parked.observation_id')
    .innerJoin('outbox_item', 'outbox_item.number', 'shared.number')
    .select('outbox_item.number')
    .distinct()
    .where('parked.number', 'in', numbers)
    .whereRef('shared.number', '>', 'parked.number')
    .where('outbox_item.state', '=', 'waiting')
    .execute();
  return rows.map(({ number }) => number);
}

/** Parks the item when an older parked one concerns the same Observation. */
async function parkBehindBlocker(db: Db, number: number): Promise<void> {
  const blocker = await db
    .selectFrom('outbox_concern as own')
    .innerJoin('outbox_concern as shared', 'shared.observation_id', 'own.observation_id')
    .innerJoin('outbox_item', 'outbox_item.number', 'shared.number')
    .select(['outbox_item.number', 'outbox_item.blocked_by'])
    .where('own.number', '=', number)
    .whereRef('shared.number', '<', 'own.number')
    .where('outbox_item.state', '=', 'parked')
    .orderBy('outbox_item.number')
    .limit(1)
    .executeTakeFirst();
  if (blocker) await setBlocked(db, number, blocker.blocked_by ?? blocker.number);
}

async function setBlocked(db: Db, number: number, blockedBy: number): Promise<void> {
  await db
    .updateTable('outbox_item')
    .set({ state: 'parked', blocked_by: blockedBy, leased_until_ms: null, reason: `waits for item ${blockedBy}, which is parked` })
    .where('number', '=', number)
    .execute();
}

/**
 * Back to waiting. False when the item is not parked, or is parked only because of another one. The
 * tries stay: they say that it may be at the EHR, and a number handed out once tells a worker that
 * was stopped for long that its claim is over.
 */
export async function retry(db: Db, number: number, nowMs: number): Promise<boolean> {
  const released = await db
    .updateTable('outbox_item')
    .set({ state: 'waiting', due_ms: nowMs, reason: null })
    .where('number', '=', number)
    .where('state', '=', 'parked')
    .where('blocked_by', 'is', null)
    .returning('number')
    .execute();
  if (released.length === 0) return false;
  await releaseBlockedBy(db, number, nowMs);
  return true;
}

/**
 * Gives an item up for good. False when it neither waits nor is parked, or is being sent just now:
 * what comes of that cannot be stopped any more.
 */
export async function discard(db: Db, number: number, reason: string, leaseInstant: Expression<number>): Promise<boolean> {
  const discarded = await db
    .updateTable('outbox_item')
    .set({ state: 'discarded', reason, blocked_by: null, leased_until_ms: null })
    .where('number', '=', number)
    .where('state', 'in', ['waiting', 'parked'])
    .where(isUnleased(leaseInstant, LONGEST_LEASE_MS))
    .returning('number')
    .execute();
  if (discarded.length === 0) return false;
  await releaseBlockedBy(db, number);
  return true;
}

/**
 * No worker has the item, or the one that had it is gone. A lease that ends later than two begun now
 * would was given before the clock stepped back, and is not waited for; one lease more than can be,
 * since clocks are set back by moments all the time.
 */
export function isUnleased(instant: Expression<number>, leaseMs: number) {
  return (eb: Items) =>
    eb.or([
      eb('leased_until_ms', 'is', null),
      eb('leased_until_ms', '<=', instant),
      eb('leased_until_ms', '>', sql<number>`${instant} + ${2 * leaseMs}`),
    ]);
}

/** The item as the claim that got `tries` knows it; any when none is given, as when a person decides. */
export function isClaim(tries: number | undefined) {
  return (eb: Items) => (tries === undefined ? eb.lit(true) : eb('tries', '=', tries));
}

/** In order of number, so that what depends on a second parked item is parked again behind that one. */
export async function releaseBlockedBy(db: Db, number: number, nowMs?: number): Promise<void> {
  const released = await db
    .updateTable('outbox_item')
    .set({ state: 'waiting', reason: null, blocked_by: null, ...(nowMs !== undefined && { due_ms: nowMs }) })
    .where('blocked_by', '=', number)
    .returning('number')
    .execute();
  for (const item of released.map((row) => row.number).sort((a, b) => a - b)) await parkBehindBlocker(db, item);
}
