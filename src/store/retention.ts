/**
 * Removing for good what nobody may keep any longer. `person-removal.ts` says what belongs to one
 * person; here are the rest, the legal holds, and dry runs: the same work, taken back before it is
 * committed.
 */
import type { Kysely } from 'kysely';
import type { LegalHold, PersonRemoval, RemovalOptions, Removed, RetentionStore } from '../ports.ts';
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

  constructor(db: Db, queue: WriterQueue) {
    this.#db = db;
    this.#queue = queue;
  }

  removeRefusals(before: string, { limit, dryRun }: RemovalOptions): Promise<Removed> {
    return this.#remove(dryRun, async (db) => {
      const { numDeletedRows } = await db
        .deleteFrom('refusal')
        .where('number', 'in', (eb) =>
          eb.selectFrom('refusal').select('number').where('received_at', '<', before).orderBy('number').limit(limit),
        )
        .executeTakeFirstOrThrow();
      return counted({ refusal: Number(numDeletedRows) });
    });
  }

  removeSettledItems(before: string, { limit, dryRun }: RemovalOptions): Promise<Removed> {
    return this.#remove(dryRun, async (db) => {
      const settled = db
        .selectFrom('outbox_item')
        .select('number')
        .where('state', 'in', ['sent', 'discarded'])
        .where('queued_at', '<', before)
        .orderBy('number')
        .limit(limit);
      const concerns = await db.deleteFrom('outbox_concern').where('number', 'in', settled).executeTakeFirstOrThrow();
      const items = await db.deleteFrom('outbox_item').where('number', 'in', settled).executeTakeFirstOrThrow();
      return counted({ outbox_item: Number(items.numDeletedRows), outbox_concern: Number(concerns.numDeletedRows) });
    });
  }

  async quietPersons(beforeMs: number, limit: number, after?: string): Promise<readonly string[]> {
    const persons = this.#db
      .selectFrom('observation')
      .select('person')
      .groupBy('person')
      .having((eb) => eb(eb.fn.max('end_ms'), '<', beforeMs))
      .orderBy('person')
      .limit(limit);
    const rows = await (after === undefined ? persons : persons.where('person', '>', after)).execute();
    return rows.map(({ person }) => person);
  }

  removePerson(person: string, { dryRun }: Pick<RemovalOptions, 'dryRun'>): Promise<PersonRemoval> {
    return this.#remove(dryRun, (db) => removePerson(db, person));
  }

  hold({ person, reason, since }: LegalHold): Promise<void> {
    return this.#queue.run(async (db) => {
      await db
        .insertInto('legal_hold')
        .values({ person, reason, since })
        .onConflict((conflict) => conflict.column('person').doUpdateSet({ reason, since }))
        .execute();
    });
  }

  release(person: string): Promise<boolean> {
    return this.#queue.run(async (db) => {
      const { numDeletedRows } = await db.deleteFrom('legal_hold').where('person', '=', person).executeTakeFirstOrThrow();
      return numDeletedRows > 0n;
    });
  }

  holds(): Promise<readonly LegalHold[]> {
    return this.#db.selectFrom('legal_hold').selectAll().orderBy('person').execute();
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

/** Without the tables that lost nothing. */
export function counted(rows: Readonly<Record<string, number>>): Removed {
  return Object.fromEntries(Object.entries(rows).filter(([, number]) => number > 0));
}
