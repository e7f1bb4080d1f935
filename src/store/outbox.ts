/**
 * The outbox as the forwarder and the operator see it. What it files and why stands in
 * `outbox-filing.ts`; here are the worker's side and the lists.
 */
import type { ExpressionBuilder, Kysely, Selectable } from 'kysely';
import {
  LONGEST_WAIT_MS,
  type EhrCopy,
  type OutboxItem,
  type OutboxState,
  type OutboxStore,
  type ParkedFilter,
  type ParkedItem,
  type VersionedReference,
} from '../ports.ts';
import { distrust, isDistrustedIn, readDistrust } from './outbox-distrust.ts';
import { discard, isClaim, isUnleased, park, releaseBlockedBy, retry } from './outbox-filing.ts';
import { releasable, waitingFor } from './outbox-parked.ts';
import type { OutboxItemTable, StoreSchema } from './schema.ts';
import type { WriterQueue } from './writer-queue.ts';

type Db = Kysely<StoreSchema>;

export class SqlOutbox implements OutboxStore {
  readonly #db: Db;
  readonly #queue: WriterQueue;

  /** @param db for reading what is committed; all writing goes through `queue` */
  constructor(db: Db, queue: WriterQueue) {
    this.#db = db;
    this.#queue = queue;
  }

  /**
   * A claim counts as a try, so that an item which kills its worker is counted too. One whose last
   * claim nobody settled says so in its reason.
   */
  claim(nowMs: number, leaseMs: number, limit: number, except: readonly number[] = []): Promise<readonly OutboxItem[]> {
    return this.#queue.run(async (db) => {
      const rows = await claimableItems(db, nowMs, leaseMs, except).orderBy('number').limit(limit).execute();
      const numbers = rows.map(({ number }) => number);
      if (numbers.length === 0) return [];
      await db
        .updateTable('outbox_item')
        .set((eb) => ({
          leased_until_ms: nowMs + leaseMs,
          tries: eb('tries', '+', 1),
          reason: eb.case().when('leased_until_ms', 'is not', null).then(LAPSED).else(eb.ref('reason')).end(),
        }))
        .where('number', 'in', numbers)
        .execute();
      const claimed = await db.selectFrom('outbox_item').selectAll().where('number', 'in', numbers).orderBy('number').execute();
      const isDistrusted = isDistrustedIn(await readDistrust(db));
      return (await readItems(db, claimed)).map((item) => (isDistrusted(item) ? { ...item, isDistrusted: true } : item));
    });
  }

  async holds(number: number, tries: number): Promise<boolean> {
    const held = await this.#db
      .selectFrom('outbox_item')
      .select('number')
      .where('number', '=', number)
      .where('state', '=', 'waiting')
      .where('tries', '=', tries)
      .executeTakeFirst();
    return held !== undefined;
  }

  markSent(
    number: number,
    copies: readonly EhrCopy[],
    { tries, note }: { readonly tries?: number; readonly note?: string } = {},
  ): Promise<'sent' | 'late'> {
    return this.#queue.run(async (db) => {
      const before = await db.selectFrom('outbox_item').select(['state', 'tries']).where('number', '=', number).executeTakeFirst();
      await db
        .updateTable('outbox_item')
        .set({ state: 'sent', leased_until_ms: null, reason: note ?? null, blocked_by: null })
        .where('number', '=', number)
        .where('state', '<>', 'discarded')
        .execute();
      for (const copy of copies) await keepCopy(db, copy);
      if (before?.state === 'parked') await releaseBlockedBy(db, number);
      return before?.state === 'waiting' && (tries === undefined || tries === before.tries) ? 'sent' : 'late';
    });
  }

  postpone(number: number, dueMs: number, reason: string, tries?: number): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const postponed = await db
        .updateTable('outbox_item')
        .set({ due_ms: dueMs, reason, leased_until_ms: null })
        .where('number', '=', number)
        .where('state', '=', 'waiting')
        .where(isClaim(tries))
        .returning('number')
        .execute();
      return postponed.length > 0;
    });
  }

  park(number: number, reason: string, tries?: number): Promise<boolean> {
    return this.#queue.run((db) => park(db, number, reason, tries));
  }

  flag(number: number, note: string): Promise<void> {
    return this.#queue.run(async (db) => {
      await db.updateTable('outbox_item').set({ reason: note }).where('number', '=', number).where('state', '=', 'sent').execute();
    });
  }

  async parked(filter: ParkedFilter): Promise<readonly ParkedItem[]> {
    const items = await readItems(this.#db, await releasable(this.#db, filter));
    const held = await waitingFor(
      this.#db,
      items.map(({ number }) => number),
    );
    return items.map((item) => ({ ...item, holdsBack: held.get(item.number) ?? [] }));
  }

  retry(number: number, nowMs: number): Promise<boolean> {
    return this.#queue.run((db) => retry(db, number, nowMs));
  }

  discard(number: number, reason: string, nowMs: number): Promise<boolean> {
    return this.#queue.run((db) => discard(db, number, reason, nowMs));
  }

  distrust(nowMs: number): Promise<number> {
    return this.#queue.run((db) => distrust(db, nowMs));
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
function claimableItems(db: Db, nowMs: number, leaseMs: number, except: readonly number[]) {
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
    .where((eb) => eb.or([eb('due_ms', '<=', nowMs), eb('due_ms', '>', nowMs + LONGEST_WAIT_MS)]))
    .where(isUnleased(nowMs, leaseMs))
    .$if(except.length > 0, (query) => query.where('number', 'not in', except))
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

/** Why an item that was never settled is tried again; stands there until this try is settled. */
const LAPSED = 'the worker that had it never said what came of it';

/** No more in one query, whatever database is under it. */
const MOST_AT_ONCE = 500;

async function readItems(db: Db, rows: readonly Selectable<OutboxItemTable>[]): Promise<OutboxItem[]> {
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
    ...(row.reason === LAPSED && { isLapsed: true as const }),
  }));
}
