/**
 * The outbox as the forwarder and the operator see it. What it files and why stands in
 * `outbox-filing.ts`; here are the worker's side and the lists.
 */
import { sql, type Expression, type ExpressionBuilder, type Kysely, type Selectable } from 'kysely';
import type { Call } from '../caller.ts';
import type { Clock, EhrCopy, OutboxItem, OutboxState, OutboxStore, VersionedReference } from '../ports.ts';
import { auditEnding } from './outbox-audit.ts';
import type { Claiming } from './outbox-claiming.ts';
import { discard, isUnleased, park, retry } from './outbox-filing.ts';
import type { OutboxItemTable, StoreSchema } from './schema.ts';
import type { WriterQueue } from './writer-queue.ts';

type Db = Kysely<StoreSchema>;

export class SqlOutbox implements OutboxStore {
  readonly #db: Db;
  readonly #queue: WriterQueue;
  readonly #clock: Clock;
  readonly #claiming: Claiming;

  /** @param db for reading what is committed; all writing goes through `queue`, but for claims */
  constructor(db: Db, queue: WriterQueue, clock: Clock, claiming: Claiming) {
    this.#db = db;
    this.#queue = queue;
    this.#clock = clock;
    this.#claiming = claiming;
  }

  /**
   * A claim counts as a try, so that an item which kills its worker is counted too. The chosen rows
   * are looked at again when they are updated: another claim may have been faster.
   */
  claim(nowMs: number, leaseMs: number, limit: number): Promise<readonly OutboxItem[]> {
    const { isShared } = this.#claiming;
    const instant = this.#leaseInstant(nowMs);
    return this.#claiming.run(async (db) => {
      const chosen = claimableItems(db, nowMs, instant).orderBy('number').limit(limit);
      const rows = await db
        .with(
          (name) => name('chosen').materialized(),
          () => (isShared ? chosen.forUpdate().skipLocked() : chosen),
        )
        .updateTable('outbox_item')
        .set((eb) => ({ leased_until_ms: sql<number>`${instant} + ${leaseMs}`, tries: eb('tries', '+', 1) }))
        .where('number', 'in', (eb) => eb.selectFrom('chosen').select('chosen.number'))
        .where('state', '=', 'waiting')
        .where(isUnleased(instant))
        .returningAll()
        .execute();
      return readItems(
        db,
        rows.sort((a, b) => a.number - b.number),
      );
    });
  }

  #leaseInstant(nowMs: number): Expression<number> {
    // PostgreSQL must be told what kind of number a parameter is; SQLite reads bigint as integer
    return this.#claiming.instant ?? sql<number>`cast(${nowMs} as bigint)`;
  }

  markSent(number: number, copies: readonly EhrCopy[]): Promise<void> {
    return this.#queue.run(async (db) => {
      const marked = await db
        .updateTable('outbox_item')
        .set({ state: 'sent', leased_until_ms: null, reason: null, blocked_by: null })
        .where('number', '=', number)
        .returning('number')
        .execute();
      for (const copy of copies) await keepCopy(db, copy);
      if (marked.length > 0) await auditEnding(db, { number, event: 'sent', recordedMs: this.#clock.nowMs(), copies });
    });
  }

  postpone(number: number, dueMs: number, reason: string): Promise<void> {
    return this.#queue.run(async (db) => {
      await db
        .updateTable('outbox_item')
        .set({ due_ms: dueMs, reason, leased_until_ms: null })
        .where('number', '=', number)
        .where('state', '=', 'waiting')
        .execute();
    });
  }

  park(number: number, reason: string): Promise<void> {
    return this.#queue.run(async (db) => {
      const isParked = await park(db, number, reason);
      if (isParked) await auditEnding(db, { number, event: 'parked', recordedMs: this.#clock.nowMs(), reason });
    });
  }

  retry(number: number, nowMs: number, by?: Call): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const isDone = await retry(db, number, nowMs);
      if (isDone) await auditEnding(db, { number, event: 'outbox-retry', recordedMs: nowMs, ...(by && { by }) });
      return isDone;
    });
  }

  discard(number: number, reason: string, nowMs: number, by?: Call): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const isDone = await discard(db, number, reason, this.#leaseInstant(nowMs));
      if (isDone) await auditEnding(db, { number, event: 'outbox-discard', recordedMs: nowMs, reason, ...(by && { by }) });
      return isDone;
    });
  }

  /** The newest `limit` items, newest last. */
  async list({ states, limit }: { readonly states?: readonly OutboxState[]; readonly limit: number }): Promise<readonly OutboxItem[]> {
    if (states?.length === 0) return [];
    let query = this.#db.selectFrom('outbox_item').selectAll().orderBy('number', 'desc').limit(limit);
    if (states) query = query.where('state', 'in', states);
    return readItems(this.#db, (await query.execute()).reverse());
  }

  async copyOf(type: EhrCopy['type'], id: string): Promise<EhrCopy | undefined> {
    return this.#db.selectFrom('ehr_copy').selectAll().where('type', '=', type).where('id', '=', id).executeTakeFirst();
  }

  /** A try is counted that nobody made here: what was tried before is looked up. */
  distrust(): Promise<number> {
    return this.#queue.run(async (db) => {
      const { numUpdatedRows } = await db
        .updateTable('outbox_item')
        .set({ tries: 1 })
        .where('state', 'in', ['waiting', 'parked'])
        .where('tries', '=', 0)
        .executeTakeFirstOrThrow();
      return Number(numUpdatedRows);
    });
  }

  async counts(): Promise<{ readonly waiting: number; readonly parked: number; readonly oldestWaitingAt?: string }> {
    const rows = await this.#db
      .selectFrom('outbox_item')
      .select((eb) => ['state', eb.fn.countAll<number>().as('items'), eb.fn.min('queued_at').as('oldest')])
      .where('state', 'in', ['waiting', 'parked'])
      .groupBy('state')
      .execute();
    const waiting = rows.find(({ state }) => state === 'waiting');
    const parked = rows.find(({ state }) => state === 'parked');
    return {
      waiting: Number(waiting?.items ?? 0),
      parked: Number(parked?.items ?? 0),
      ...(waiting && { oldestWaitingAt: waiting.oldest }),
    };
  }
}

/** Only the first waiting item of a person: the next one must not overtake it, even while it is postponed. */
function claimableItems(db: Db, nowMs: number, leaseInstant: Expression<number>) {
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
    .where('due_ms', '<=', nowMs)
    .where(isUnleased(leaseInstant))
    .where((eb) => eb.not(eb.exists(olderOfSameObservation)));
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

/** A late answer to an earlier sending does not set the copy back. */
async function keepCopy(db: Db, { type, id, reference, version }: EhrCopy): Promise<void> {
  await db
    .insertInto('ehr_copy')
    .values({ type, id, reference, version })
    .onConflict((conflict) => conflict.columns(['type', 'id']).doUpdateSet({ reference, version }).where('ehr_copy.version', '<=', version))
    .execute();
}

async function readItems(db: Db, rows: readonly Selectable<OutboxItemTable>[]): Promise<OutboxItem[]> {
  if (rows.length === 0) return [];
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
  }));
}
