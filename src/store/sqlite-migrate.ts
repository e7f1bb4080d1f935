/** Bringing an SQLite store up to date without a service. */
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import { MIGRATIONS } from './migrations/all.ts';
import { migrate, type Migration } from './migrator.ts';
import { createPrivately } from './private-file.ts';
import type { StoreSchema } from './schema.ts';
import { ImmediateSqliteDialect } from './sqlite-dialect.ts';
import { lockStore } from './store-lock.ts';
import { StoreNotOpened } from './store-not-opened.ts';

/**
 * Makes the store in the file at `path` when there is none (its folder must exist), applies the
 * migrations that are missing and returns them. Throws StoreNotOpened when a service has it open,
 * a newer release wrote it, or the file cannot be used.
 */
export async function migrateSqlite(path: string, nowMs: number): Promise<readonly Migration[]> {
  let unlock: (() => void) | undefined;
  let db: Kysely<StoreSchema> | undefined;
  try {
    createPrivately(path);
    unlock = lockStore(path);
    const database = new Database(path);
    db = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
    database.pragma('foreign_keys = ON');
    return await migrate(db, MIGRATIONS, nowMs);
  } catch (error) {
    throw error instanceof StoreNotOpened ? error : new StoreNotOpened('unusable', error);
  } finally {
    await db?.destroy();
    unlock?.();
  }
}
