/** Looking into a store without the means to change it: one read-only connection, and no more. */
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import type { ReadOnlyStore } from '../ports.ts';
import { SqlAudit } from './audit.ts';
import { MIGRATIONS } from './migrations/all.ts';
import { newestIn } from './migrator.ts';
import { SqlReader } from './reader.ts';
import type { StoreSchema } from './schema.ts';
import { ImmediateSqliteDialect } from './sqlite-dialect.ts';
import { StoreNotOpened } from './store-not-opened.ts';

const BUSY_TIMEOUT_MS = 1000;

/**
 * Opens the store in the file at `path`, which stays as it is: not made, not brought up to date,
 * not locked. Other processes may write to it all the while.
 *
 * Throws StoreNotOpened when the store has other tables than those of this release, or the file
 * cannot be read.
 */
export async function openSqliteReadOnly(path: string, { busyTimeoutMs = BUSY_TIMEOUT_MS } = {}): Promise<ReadOnlyStore> {
  let database: Database.Database | undefined;
  try {
    database = new Database(path, { readonly: true, fileMustExist: true, timeout: busyTimeoutMs });
    const reading = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
    await refuseOtherTables(reading);
    return { read: new SqlReader(reading), audit: new SqlAudit(reading), close: () => reading.destroy() };
  } catch (error) {
    database?.close();
    throw error instanceof StoreNotOpened ? error : new StoreNotOpened('unusable', error);
  }
}

/** Throws StoreNotOpened when the store is of a newer or an earlier release. */
export async function refuseOtherTables(reading: Kysely<StoreSchema>): Promise<void> {
  const number = await newestIn(reading);
  if (number > MIGRATIONS.length) throw new StoreNotOpened('newer', number);
  if (number < MIGRATIONS.length) throw new StoreNotOpened('older', number);
}
