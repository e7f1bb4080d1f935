/**
 * Subscriptions: who has which of them in hand, how far each was told, and how it stands. Which
 * versions are told of, and their numbers, stand in `subscription-events.ts`.
 */
import { sql, type Expression, type Kysely } from 'kysely';
import type { Call } from '../caller.ts';
import { toInstant } from '../core/fhir-time.ts';
import type {
  ClaimedSubscription,
  EventPage,
  NewSubscription,
  StoredSubscription,
  SubscriptionEvent,
  SubscriptionFailure,
  SubscriptionFigures,
  SubscriptionFilter,
  SubscriptionState,
  SubscriptionStore,
} from '../ports.ts';
import type { Claiming } from './outbox-claiming.ts';
import type { StoreSchema } from './schema.ts';
import { auditNotified, auditSubscription } from './subscription-audit.ts';
import { hasWork, isUnleased, toClaimed, toSubscription, type SubscriptionRow } from './subscription-row.ts';
import { eventPage, lookOn, newestSeq, numberEvents, readEvents, removeOldEvents, untold } from './subscription-events.ts';
import type { WriterQueue } from './writer-queue.ts';

type Db = Kysely<StoreSchema>;

/** Figures are asked for every few seconds: what is further behind than this is as bad as this. */
const MOST_COUNTED = 10_000;

/** Numbered in one unit of work: each takes some parameters of one statement, of which SQLite has 32,766, and no writer waits for long. */
const MOST_NUMBERED = 1_000;

export class SqlSubscriptions implements SubscriptionStore {
  readonly #db: Db;
  readonly #queue: WriterQueue;
  readonly #claiming: Claiming;

  /** @param db for reading what is committed; all writing goes through `queue`, but for claims */
  constructor(db: Db, queue: WriterQueue, claiming: Claiming) {
    this.#db = db;
    this.#queue = queue;
    this.#claiming = claiming;
  }

  add(subscription: NewSubscription, most: number, nowMs: number, call: Call): Promise<StoredSubscription | undefined> {
    const { id, text, filter, endsMs } = subscription;
    return this.#audited(call, async (db) => {
      const { there } = await db
        .selectFrom('subscription')
        .select((eb) => eb.fn.countAll<number>().as('there'))
        .executeTakeFirstOrThrow();
      if (Number(there) >= most) return undefined;
      const row = await db
        .insertInto('subscription')
        .values({
          id,
          content: text,
          filter: JSON.stringify(filter),
          ends_ms: endsMs ?? null,
          state: 'requested',
          error: null,
          greeted: 0,
          scanned_seq: await newestSeq(db),
          numbered: 0,
          delivered: 0,
          claims: 0,
          leased_until_ms: null,
          due_ms: nowMs,
          failures: 0,
          failing_since_ms: null,
          updated_at: toInstant(nowMs),
        })
        .returningAll()
        .executeTakeFirstOrThrow();
      await auditSubscription(
        db,
        { recordedMs: nowMs, interaction: 'create', outcome: 'success', resources: [`Subscription/${id}`] },
        call,
      );
      return toSubscription(row, nowMs);
    });
  }

  async list(nowMs: number): Promise<readonly StoredSubscription[]> {
    const rows = await this.#db.selectFrom('subscription').selectAll().orderBy('number').execute();
    return rows.map((row) => toSubscription(row, nowMs));
  }

  async find(id: string, nowMs: number): Promise<StoredSubscription | undefined> {
    const row = await this.#db.selectFrom('subscription').selectAll().where('id', '=', id).executeTakeFirst();
    return row && toSubscription(row, nowMs);
  }

  remove(id: string, nowMs: number, call: Call): Promise<boolean> {
    return this.#audited(call, async (db) => {
      const row = await db.selectFrom('subscription').select('number').where('id', '=', id).executeTakeFirst();
      if (row === undefined) return false;
      await db.deleteFrom('subscription_event').where('subscription', '=', row.number).execute();
      await db.deleteFrom('subscription').where('number', '=', row.number).execute();
      await auditSubscription(
        db,
        { recordedMs: nowMs, interaction: 'delete', outcome: 'success', resources: [`Subscription/${id}`] },
        call,
      );
      return true;
    });
  }

  /** Looked for first without writing: an idle worker asks every second. */
  async claim(nowMs: number, leaseMs: number, limit: number, except: readonly number[] = []): Promise<readonly ClaimedSubscription[]> {
    const instant: Expression<number> = this.#claiming.instant ?? sql<number>`cast(${nowMs} as bigint)`;
    const claimable = (db: Db) =>
      db
        .selectFrom('subscription')
        .select('number')
        .where((eb) => hasWork(eb, nowMs))
        .where((eb) => isUnleased(eb, instant, leaseMs))
        .$if(except.length > 0, (query) => query.where('number', 'not in', except))
        .orderBy('due_ms')
        .orderBy('number')
        .limit(limit);
    if ((await claimable(this.#db).limit(1).execute()).length === 0) return [];
    return this.#claiming.run(async (db) => {
      const chosen = claimable(db);
      const rows = await db
        .with(
          (name) => name('chosen').materialized(),
          () => (this.#claiming.isShared ? chosen.forUpdate().skipLocked() : chosen),
        )
        .updateTable('subscription')
        .set((eb) => ({ leased_until_ms: sql<number>`${instant} + ${leaseMs}`, claims: eb('claims', '+', 1) }))
        .where('number', 'in', (eb) => eb.selectFrom('chosen').select('chosen.number'))
        // another claim may have been faster
        .where((eb) => isUnleased(eb, instant, leaseMs))
        .returningAll()
        .execute();
      return rows.map((row) => toClaimed(row, nowMs));
    });
  }

  async nextEvents(claimed: ClaimedSubscription, limit: number, nowMs: number): Promise<readonly SubscriptionEvent[]> {
    for (;;) {
      const row = await this.#heldRow(this.#db, claimed);
      if (row === undefined) return [];
      const { number, numbered, delivered } = row;
      if (delivered < numbered) return readEvents(this.#db, number, delivered + 1, numbered, limit);
      if (!(await this.#numberMore(row, limit, nowMs))) return [];
    }
  }

  /** False when there was nothing to number. Whoever else numbers at the same time is not in the way: one of the two does. */
  async #numberMore({ number, numbered, scanned_seq, filter }: SubscriptionRow, limit: number, nowMs: number): Promise<boolean> {
    const { seqs, upTo, isAll } = await lookOn(this.#db, scanned_seq, JSON.parse(filter) as SubscriptionFilter, limit);
    if (upTo === scanned_seq) return false;
    await this.#queue.run(async (db) => {
      const noted = await db
        .updateTable('subscription')
        .set({ scanned_seq: upTo, numbered: numbered + seqs.length })
        .where('number', '=', number)
        .where('scanned_seq', '=', scanned_seq)
        .returning('number')
        .execute();
      if (noted.length > 0) await numberEvents(db, number, numbered, seqs, nowMs);
    });
    return seqs.length > 0 || !isAll;
  }

  async holds(claimed: ClaimedSubscription): Promise<boolean> {
    return (await this.#heldRow(this.#db, claimed)) !== undefined;
  }

  markDelivered(claimed: ClaimedSubscription, upTo: number, nowMs: number): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const row = await this.#heldRow(db, claimed);
      if (row === undefined || upTo < row.delivered || upTo > row.numbered) return false;
      await db
        .updateTable('subscription')
        .set({
          state: 'active',
          error: null,
          greeted: 1,
          delivered: upTo,
          failures: 0,
          failing_since_ms: null,
          due_ms: nowMs,
          ...(row.state !== 'active' && { updated_at: toInstant(nowMs) }),
        })
        .where('number', '=', row.number)
        .execute();
      if (upTo > row.delivered) await auditNotified(db, row, upTo, nowMs);
      await removeOldEvents(db, row.number, upTo, nowMs);
      return true;
    });
  }

  markFailed(claimed: ClaimedSubscription, { nowMs, dueMs, isError, reason }: SubscriptionFailure): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const row = await this.#heldRow(db, claimed);
      if (row === undefined) return false;
      const turns = isError && row.state !== 'error';
      await db
        .updateTable('subscription')
        .set({
          failures: row.failures + 1,
          failing_since_ms: row.failing_since_ms ?? nowMs,
          due_ms: dueMs,
          leased_until_ms: null,
          ...(isError && { state: 'error' as const, error: reason }),
          ...(turns && { updated_at: toInstant(nowMs) }),
        })
        .where('number', '=', row.number)
        .execute();
      const resources = [`Subscription/${row.id}`];
      if (turns)
        await auditSubscription(db, {
          recordedMs: nowMs,
          event: 'not-notified',
          outcome: 'serious',
          outgoing: true,
          resources,
          details: [['reason', reason]],
        });
      return true;
    });
  }

  async release(claimed: ClaimedSubscription): Promise<void> {
    await this.#queue.run((db) =>
      db
        .updateTable('subscription')
        .set({ leased_until_ms: null })
        .where('number', '=', claimed.number)
        .where('claims', '=', claimed.claim)
        .execute(),
    );
  }

  async events(
    id: string,
    range: { readonly from?: number; readonly to: number; readonly limit: number },
    nowMs: number,
  ): Promise<EventPage | undefined> {
    for (;;) {
      const row = await this.#db.selectFrom('subscription').selectAll().where('id', '=', id).executeTakeFirst();
      if (row === undefined) return undefined;
      const page = await eventPage(this.#db, row, range);
      const wanted = Math.min(range.to, (range.from ?? page.firstKept) + range.limit - 1);
      const isOn = toSubscription(row, nowMs).state !== 'off';
      const more = Math.min(wanted - row.numbered, MOST_NUMBERED);
      if (!isOn || more <= 0 || !(await this.#numberMore(row, more, nowMs))) return page;
    }
  }

  async figures(nowMs: number): Promise<SubscriptionFigures> {
    const rows = await this.#db.selectFrom('subscription').selectAll().execute();
    const byState: Record<SubscriptionState, number> = { requested: 0, active: 0, error: 0, off: 0 };
    let behind = 0;
    let oldestAt: string | undefined;
    for (const row of rows) {
      const { state, filter } = toSubscription(row, nowMs);
      byState[state] += 1;
      if (state === 'off') continue;
      const waiting = await untold(this.#db, row, filter, MOST_COUNTED);
      behind += waiting.events;
      if (waiting.oldestAt !== undefined && (oldestAt === undefined || waiting.oldestAt < oldestAt)) oldestAt = waiting.oldestAt;
    }
    return { byState, behind, ...(oldestAt !== undefined && { oldestAt }) };
  }

  /** What `work` did, when it did something, is in the audit once this resolves. */
  async #audited<Result>({ noteAudited }: Call, work: (db: Db) => Promise<Result>): Promise<Result> {
    const result = await this.#queue.run(work);
    if (result) noteAudited?.();
    return result;
  }

  /** The row while it is that of the claim. */
  #heldRow(db: Db, { number, claim }: ClaimedSubscription): Promise<SubscriptionRow | undefined> {
    return db
      .selectFrom('subscription')
      .selectAll()
      .where('number', '=', number)
      .where('claims', '=', claim)
      .where('leased_until_ms', 'is not', null)
      .executeTakeFirst();
  }
}
