/** What the store remembers of itself, by name. */
import type { Kysely } from 'kysely';
import type { MarkName, StoreMarks } from '../ports.ts';
import type { StoreSchema } from './schema.ts';
import type { WriterQueue } from './writer-queue.ts';

export class SqlMarks implements StoreMarks {
  readonly #db: Kysely<StoreSchema>;
  readonly #queue: WriterQueue;

  constructor(db: Kysely<StoreSchema>, queue: WriterQueue) {
    this.#db = db;
    this.#queue = queue;
  }

  readMark(name: MarkName): Promise<string | undefined> {
    return readMark(this.#db, name);
  }

  writeMark(name: MarkName, value: string): Promise<void> {
    return this.#queue.run((db) => writeMark(db, name, value));
  }

  removeMark(name: MarkName): Promise<void> {
    return this.#queue.run(async (db) => {
      await db.deleteFrom('mark').where('name', '=', name).execute();
    });
  }
}

export async function readMark(db: Kysely<StoreSchema>, name: MarkName): Promise<string | undefined> {
  const row = await db.selectFrom('mark').select('value').where('name', '=', name).executeTakeFirst();
  return row?.value;
}

export async function writeMark(db: Kysely<StoreSchema>, name: MarkName, value: string): Promise<void> {
  await db
    .insertInto('mark')
    .values({ name, value })
    .onConflict((conflict) => conflict.column('name').doUpdateSet({ value }))
    .execute();
}
