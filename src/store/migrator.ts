/**
 * Brings a store to the newest tables: numbered steps, recorded in the store itself, all that is
 * missing in one transaction, so that a store is never between two numbers.
 */
import { sql, type Kysely } from 'kysely';
import { toInstant } from '../core/fhir-time.ts';
import { StoreUnavailable } from '../ports.ts';
import { StoreNotOpened } from './store-not-opened.ts';
import type { StoreSchema } from './schema.ts';

export interface Migration {
  /** 1, 2, 3, … without gaps. */
  readonly number: number;
  readonly name: string;
  /** As SQLite takes them. */
  readonly statements: readonly string[];
  /** As PostgreSQL takes them, where `postgres-ddl.ts` cannot say it from `statements`. */
  readonly postgres?: readonly string[];
  /** What PostgreSQL's planner is told to count besides (`create statistics`); SQLite has no such thing. */
  readonly postgresStatistics?: readonly string[];
}

/** What of a migration a database is given. */
export type ToStatements = (migration: Migration) => readonly string[];

export const asWritten: ToStatements = ({ statements }) => statements;

const MIGRATION_TABLE: Migration = {
  number: 0,
  name: 'migration-table',
  statements: ['create table if not exists migration (number integer primary key, name text not null, applied_at text not null)'],
};

/**
 * Applies what the store lacks, and returns that; does nothing when it lacks nothing, which needs
 * no right to change tables. Throws StoreNotOpened when the store holds a migration that this
 * release does not know: its rows may mean something else now.
 */
export async function migrate(
  db: Kysely<StoreSchema>,
  migrations: readonly Migration[],
  nowMs: number,
  toStatements: ToStatements = asWritten,
): Promise<readonly Migration[]> {
  if ((await newestOfOpened(db)) === migrations.length) return [];
  return db.transaction().execute((trx) => applyMissing(trx, migrations, nowMs, toStatements));
}

/** The same inside a transaction that the caller has begun. */
export async function applyMissing(
  trx: Kysely<StoreSchema>,
  migrations: readonly Migration[],
  nowMs: number,
  toStatements: ToStatements,
): Promise<readonly Migration[]> {
  for (const statement of toStatements(MIGRATION_TABLE)) await sql.raw(statement).execute(trx);
  // asked again: another replica may have been faster
  const newest = await newestIn(trx);
  if (newest > migrations.length) throw new StoreNotOpened('newer', newest);
  const missing = migrations.slice(newest);
  for (const migration of missing) {
    for (const statement of toStatements(migration)) await sql.raw(statement).execute(trx);
    const { number, name } = migration;
    await trx
      .insertInto('migration')
      .values({ number, name, applied_at: toInstant(nowMs) })
      .execute();
  }
  return missing;
}

/** The number of the newest migration that was applied; throws what the database says when it is no store. */
export async function newestIn(db: Kysely<StoreSchema>): Promise<number> {
  const newest = await db.selectFrom('migration').select('number').orderBy('number', 'desc').limit(1).executeTakeFirst();
  return newest?.number ?? 0;
}

async function newestOfOpened(db: Kysely<StoreSchema>): Promise<number | undefined> {
  try {
    return await newestIn(db);
  } catch (error) {
    if (error instanceof StoreUnavailable) throw error;
    return undefined; // there is no such table yet
  }
}
