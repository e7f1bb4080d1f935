/**
 * Removing for good what nobody may keep any longer. `person-removal.ts` says what belongs to one
 * person; here are the rest, the legal holds, and dry runs: the same work, taken back before it is
 * committed.
 */
import type { Kysely } from 'kysely';
import type { Call } from '../caller.ts';
import { toAuditEvent, type AuditedFacts } from '../core/audit/event.ts';
import type { Clock, LegalHold, PersonRemoval, RemovalOptions, Removed, RetentionStore } from '../ports.ts';
import { addAudit, purgeAuditBefore } from './audit-writing.ts';
import { WITHDRAWN } from './outbox-withdrawal.ts';
import { removePerson } from './person-removal.ts';
import type { StoreSchema } from './schema.ts';
import type { WriterQueue } from './writer-queue.ts';

type Db = Kysely<StoreSchema>;

/** Ends a unit of work that was only to be counted. */
class TakenBack<Result> extends Error {
  readonly result: Result;
  constructor(result: Result) {
    super('a dry run is taken back');
    this.result = result;
  }
}

export class SqlRetention implements RetentionStore {
  readonly #db: Db;
  readonly #queue: WriterQueue;
  readonly #clock: Clock;

  constructor(db: Db, queue: WriterQueue, clock: Clock) {
    this.#db = db;
    this.#queue = queue;
    this.#clock = clock;
  }

  removeRefusals(before: string, { limit, ...options }: RemovalOptions): Promise<Removed> {
    return this.#removeRows(options, async (db) => {
      const { numDeletedRows } = await db
        .deleteFrom('refusal')
        .where('number', 'in', (eb) =>
          eb.selectFrom('refusal').select('number').where('received_at', '<', before).orderBy('number').limit(limit),
        )
        .executeTakeFirstOrThrow();
      return counted({ refusal: Number(numDeletedRows) });
    });
  }

  removeSettledItems(before: string, { limit, ...options }: RemovalOptions): Promise<Removed> {
    return this.#removeRows(options, async (db) => {
      const settled = db
        .selectFrom('outbox_item')
        .select('number')
        .where('state', 'in', ['sent', 'discarded'])
        // that it never left is a fact of its readings, for as long as they are here
        .where((eb) => eb.or([eb('reason', 'is', null), eb('reason', '<>', WITHDRAWN)]))
        .where('queued_at', '<', before)
        .orderBy('number')
        .limit(limit);
      const concerns = await db.deleteFrom('outbox_concern').where('number', 'in', settled).executeTakeFirstOrThrow();
      const items = await db.deleteFrom('outbox_item').where('number', 'in', settled).executeTakeFirstOrThrow();
      return counted({ outbox_item: Number(items.numDeletedRows), outbox_concern: Number(concerns.numDeletedRows) });
    });
  }

  removeSessions(options: Omit<RemovalOptions, 'limit'>): Promise<Removed> {
    return this.#removeRows(options, async (db) => {
      const { numDeletedRows } = await db.deleteFrom('page_session').executeTakeFirstOrThrow();
      return counted({ page_session: Number(numDeletedRows) });
    });
  }

  async quietPersons(beforeMs: number, limit: number, after?: string): Promise<readonly string[]> {
    const persons = this.#db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select('person')
      // what an earlier version said is no longer so: a claimed reading was of nobody once
      .where('superseded_seq', 'is', null)
      .groupBy('person')
      .having((eb) => eb(eb.fn.max('end_ms'), '<', beforeMs))
      .orderBy('person')
      .limit(limit);
    const rows = await (after === undefined ? persons : persons.where('person', '>', after)).execute();
    return rows.map(({ person }) => person);
  }

  removeAudit(beforeMs: number, { limit, ...options }: RemovalOptions): Promise<Removed> {
    return this.#removeRows(options, async (db) => counted({ audit_event: await purgeAuditBefore(db, beforeMs, limit) }));
  }

  removePerson(
    person: string,
    { dryRun, by, quietSinceMs }: Omit<RemovalOptions, 'limit'> & { readonly quietSinceMs?: number },
  ): Promise<PersonRemoval> {
    return this.#remove(dryRun, async (db) => {
      const removal = await removePerson(db, person, quietSinceMs);
      if (removal.kind === 'removed') await this.#audit(db, 'removal', { persons: [person], details: detailsOf(removal.removed) }, by);
      return removal;
    });
  }

  hold({ person, reason, since }: LegalHold, by?: Call): Promise<void> {
    return this.#queue.run(async (db) => {
      await db
        .insertInto('legal_hold')
        .values({ person, reason, since })
        .onConflict((conflict) => conflict.column('person').doUpdateSet({ reason, since }))
        .execute();
      await this.#audit(db, 'hold', { persons: [person], details: [['reason', reason]] }, by);
    });
  }

  release(person: string, by?: Call): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const { numDeletedRows } = await db.deleteFrom('legal_hold').where('person', '=', person).executeTakeFirstOrThrow();
      if (numDeletedRows === 0n) return false;
      await this.#audit(db, 'hold-released', { persons: [person] }, by);
      return true;
    });
  }

  holds(): Promise<readonly LegalHold[]> {
    return this.#db.selectFrom('legal_hold').selectAll().orderBy('person').execute();
  }

  #removeRows({ dryRun, by }: Omit<RemovalOptions, 'limit'>, work: (db: Db) => Promise<Removed>): Promise<Removed> {
    return this.#remove(dryRun, async (db) => {
      const removed = await work(db);
      if (Object.keys(removed).length > 0) await this.#audit(db, 'removal', { details: detailsOf(removed) }, by);
      return removed;
    });
  }

  async #audit(
    db: Db,
    event: 'removal' | 'hold' | 'hold-released',
    facts: Pick<AuditedFacts, 'persons' | 'details'>,
    by: Call | undefined,
  ): Promise<void> {
    const whose = by && { caller: by.caller, requestId: by.requestId };
    await addAudit(db, toAuditEvent({ recordedMs: this.#clock.nowMs(), event, outcome: 'success', ...facts, ...whose }));
  }

  async #remove<Result>(dryRun: boolean, work: (db: Db) => Promise<Result>): Promise<Result> {
    if (!dryRun) return this.#queue.run(work);
    try {
      return await this.#queue.run<Result>(async (db) => {
        throw new TakenBack(await work(db));
      });
    } catch (error) {
      if (error instanceof TakenBack) return (error as TakenBack<Result>).result;
      throw error;
    }
  }
}

/** How many rows of which table, for the audit. */
function detailsOf(removed: Removed): [string, string][] {
  return Object.entries(removed).map(([table, rows]) => [table, String(rows)]);
}

/** Without the tables that lost nothing. */
export function counted(rows: Readonly<Record<string, number>>): Removed {
  return Object.fromEntries(Object.entries(rows).filter(([, number]) => number > 0));
}
