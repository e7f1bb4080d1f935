/**
 * Brings a store to the newest tables: numbered steps, recorded in the store itself, all that is
 * missing in one transaction, so that a store is never between two numbers.
 */
import { sql, type Kysely } from 'kysely';
import { toInstant } from '../core/fhir-time.ts';
import { StoreNotOpened } from './store-not-opened.ts';
import type { StoreSchema } from './schema.ts';

export interface Migration {
  /** 1, 2, 3, … without gaps. */
  readonly number: number;
  readonly name: string;
  readonly statements: readonly string[];
}

/**
 * Applies what the store lacks; does nothing when it lacks nothing. Throws StoreNotOpened when the
 * store holds a migration that this release does not know: its rows may mean something else now.
 */
export async function migrate(db: Kysely<StoreSchema>, migrations: readonly Migration[], nowMs: number): Promise<void> {
  await db.transaction().execute(async (trx) => {
    await sql`create table if not exists migration (number integer primary key, name text not null, applied_at text not null)`.execute(trx);
    const applied = await trx.selectFrom('migration').select('number').orderBy('number').execute();
    const newest = applied.at(-1)?.number ?? 0;
    if (newest > migrations.length) throw new StoreNotOpened('newer', newest);
    for (const { number, name, statements } of migrations.slice(newest)) {
      for (const statement of statements) await sql.raw(statement).execute(trx);
      await trx
        .insertInto('migration')
        .values({ number, name, applied_at: toInstant(nowMs) })
        .execute();
    }
  });
}
