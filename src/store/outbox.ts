/**
 * The outbox as the forwarder and the operator see it. What it files and why stands in
 * `outbox-filing.ts`, which items may be taken in `outbox-items.ts`.
 */
import { sql, type Expression, type Kysely } from 'kysely';
import type { Call } from '../caller.ts';
import type { Clock, EhrCopy, ItemsBehind, OutboxItem, OutboxState, OutboxStore, ParkedFilter, ParkedItem } from '../ports.ts';
import { toAuditEvent } from '../core/audit/event.ts';
import { addAudit } from './audit-writing.ts';
import { auditEnding } from './outbox-audit.ts';
import type { Claiming } from './outbox-claiming.ts';
import { distrust, isDistrustedIn, readDistrust } from './outbox-distrust.ts';
import { discard, isClaim, isUnleased, park, releaseBlockedBy, retry, UNDOABLE } from './outbox-filing.ts';
import { claimableItems, LAPSED, readItems } from './outbox-items.ts';
import { releasable, waitingFor } from './outbox-parked.ts';
import { dueOf, isAwaited } from './outbox-withdrawal.ts';
import type { StoreSchema } from './schema.ts';
import { turnAllOff } from './subscription-row.ts';
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
   * A claim counts as a try, so that an item which kills its worker is counted too. One whose last
   * claim nobody settled says so in its reason. The chosen rows are looked at again when they are
   * updated: another claim may have been faster.
   */
  claim(nowMs: number, leaseMs: number, limit: number, except: readonly number[] = []): Promise<readonly OutboxItem[]> {
    const { isShared } = this.#claiming;
    const instant = this.#leaseInstant(nowMs);
    return this.#claiming.run(async (db) => {
      const chosen = claimableItems(db, { nowMs, instant, leaseMs, except }).orderBy('number').limit(limit);
      const rows = await db
        .with(
          (name) => name('chosen').materialized(),
          () => (isShared ? chosen.forUpdate().skipLocked() : chosen),
        )
        .updateTable('outbox_item')
        .set((eb) => ({
          leased_until_ms: sql<number>`${instant} + ${leaseMs}`,
          tries: eb('tries', '+', 1),
          reason: eb
            .case()
            .when('leased_until_ms', 'is not', null)
            .then(LAPSED)
            .when('reason', '=', UNDOABLE)
            .then(null)
            .else(eb.ref('reason'))
            .end(),
        }))
        .where('number', 'in', (eb) => eb.selectFrom('chosen').select('chosen.number'))
        .where('state', '=', 'waiting')
        .where(isUnleased(instant, leaseMs))
        .returningAll()
        .execute();
      if (rows.length === 0) return [];
      const isDistrusted = isDistrustedIn(await readDistrust(db));
      const items = await readItems(
        db,
        rows.sort((a, b) => a.number - b.number),
      );
      return items.map((item) => (isDistrusted(item) ? { ...item, isDistrusted: true } : item));
    });
  }

  #leaseInstant(nowMs: number): Expression<number> {
    // PostgreSQL must be told what kind of number a parameter is; SQLite reads bigint as integer
    return this.#claiming.instant ?? sql<number>`cast(${nowMs} as bigint)`;
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
      const marked = await db
        .updateTable('outbox_item')
        .set({ state: 'sent', leased_until_ms: null, reason: note ?? null, blocked_by: null })
        .where('number', '=', number)
        .where('state', '<>', 'discarded')
        .returning('number')
        .execute();
      for (const copy of copies) await keepCopy(db, copy);
      if (before?.state === 'parked') await releaseBlockedBy(db, number);
      if (marked.length > 0 && before?.state !== 'sent')
        await auditEnding(db, { number, event: 'sent', recordedMs: this.#clock.nowMs(), copies });
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
    return this.#queue.run(async (db) => {
      const isParked = await park(db, number, reason, tries);
      if (isParked) await auditEnding(db, { number, event: 'parked', recordedMs: this.#clock.nowMs(), reason });
      return isParked;
    });
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

  distrust(nowMs: number, by?: Call): Promise<number> {
    return this.#queue.run(async (db) => {
      const items = await distrust(db, nowMs);
      await turnAllOff(db, nowMs);
      const details = [['items', String(items)] as const];
      const whose = by && { caller: by.caller, requestId: by.requestId };
      await addAudit(db, toAuditEvent({ recordedMs: nowMs, event: 'outbox-distrust', outcome: 'success', details, ...whose }));
      return items;
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

  dueOf(items: ItemsBehind): Promise<number | 'gone' | undefined> {
    return dueOf(this.#db, items);
  }

  isAwaited(observationId: string, behind: number): Promise<boolean> {
    return isAwaited(this.#db, observationId, behind);
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

/** A late answer to an earlier sending does not set the copy back. */
async function keepCopy(db: Db, { type, id, reference, version }: EhrCopy): Promise<void> {
  await db
    .insertInto('ehr_copy')
    .values({ type, id, reference, version })
    .onConflict((conflict) => conflict.columns(['type', 'id']).doUpdateSet({ reference, version }).where('ehr_copy.version', '<=', version))
    .execute();
}
