/**
 * Which store a `STEELYARD_DATABASE` names: PostgreSQL for a `postgres://` URL, otherwise an SQLite
 * file, or `:memory:` for a store that is gone after it was closed. The one place for the service
 * and for the tools beside it.
 */
import { existsSync } from 'node:fs';
import { isPostgresUrl } from './settings.ts';
import type { Clock, KeptStore, ReadOnlyStore } from './ports.ts';
import { copyTables, type CopiedTable, type CopyEnd } from './store/copy.ts';
import { onPostgres } from './store/copy-postgres.ts';
import { fromSqlite, toSqlite } from './store/copy-sqlite.ts';
import { migratePostgres, openPostgresReadOnly, openPostgresStore } from './store/postgres.ts';
import { openSqliteReadOnly } from './store/read-only.ts';
import { openSqliteStore } from './store/sqlite.ts';
import { migrateSqlite } from './store/sqlite-migrate.ts';

export { CopyRefused } from './store/copy.ts';
export { BackupRefused, backupSqlite, restoreSqlite, type BackupReport } from './store/sqlite-backup.ts';
export { openPassingStore, type PassingStore } from './store/passing-store.ts';
export { StoreNotOpened } from './store/store-not-opened.ts';

export interface StoreOptions {
  readonly clock: Clock;
  /**
   * Of an SQLite file. True (the default) for the service: nobody else may open the store so. False
   * for a tool beside a running service. On PostgreSQL replicas and tools share the store anyway.
   */
  readonly exclusive?: boolean;
  /** How long a write waits for another process. */
  readonly busyTimeoutMs?: number;
  /** True for tools: no store is made in a database that has none. Of a file see {@link mayExist}. */
  readonly mustExist?: boolean;
}

export type StoreKind = 'sqlite' | 'postgresql';

export function kindOfStore(database: string): StoreKind {
  return isPostgresUrl(database) ? 'postgresql' : 'sqlite';
}

/** A store as it may be shown: without user, password and settings. */
export function nameOfStore(database: string): string {
  if (kindOfStore(database) === 'sqlite') return database;
  const { host, pathname } = new URL(database);
  return `postgres://${host}${pathname}`;
}

/** Whether there is something to open. Of a database nobody knows before asking it. */
export function mayExist(database: string): boolean {
  return kindOfStore(database) === 'postgresql' || existsSync(database);
}

/**
 * Opens a store only to read, beside a running service too: nothing is made, brought up to date or
 * locked. Throws StoreNotOpened when the store is not of this release, or cannot be used.
 */
export function openStoreReadOnly(database: string, options?: { readonly busyTimeoutMs?: number }): Promise<ReadOnlyStore> {
  return kindOfStore(database) === 'postgresql' ? openPostgresReadOnly(database) : openSqliteReadOnly(database, options);
}

/**
 * Opens a store and brings it up to date. Throws StoreNotOpened when another service has the file
 * open, a newer release wrote the store, or it cannot be used.
 */
export function openStore(database: string, { clock, exclusive, busyTimeoutMs, mustExist }: StoreOptions): Promise<KeptStore> {
  if (kindOfStore(database) === 'postgresql')
    return openPostgresStore(database, {
      clock,
      ...(busyTimeoutMs !== undefined && { lockTimeoutMs: busyTimeoutMs }),
      ...(mustExist !== undefined && { mustExist }),
    });
  return openSqliteStore(database, {
    clock,
    ...(exclusive !== undefined && { exclusive }),
    ...(busyTimeoutMs !== undefined && { busyTimeoutMs }),
  });
}

/**
 * Brings a store up to date, making it when there is none, and returns the names of what was
 * applied. Throws StoreNotOpened as {@link openStore} does.
 */
export async function migrateStore(database: string, clock: Clock): Promise<readonly string[]> {
  const migrate = kindOfStore(database) === 'postgresql' ? migratePostgres : migrateSqlite;
  const applied = await migrate(database, clock.nowMs());
  return applied.map(({ number, name }) => `${String(number).padStart(4, '0')} ${name}`);
}

/**
 * Copies a store into a new file or an empty database, compares the two, and says how many rows
 * each table has. No service may run on the source, since what it writes afterwards stays behind.
 *
 * Throws CopyRefused when the target is not empty or the copy differs, StoreNotOpened when the
 * source is in use or not a store of this release, StoreUnavailable when a database does not answer.
 */
export function copyStore(from: string, to: string, clock: Clock): Promise<readonly CopiedTable[]> {
  const read = kindOfStore(from) === 'postgresql' ? onPostgres<readonly CopiedTable[]> : fromSqlite<readonly CopiedTable[]>;
  const write = kindOfStore(to) === 'postgresql' ? onPostgres<readonly CopiedTable[]> : toSqlite<readonly CopiedTable[]>;
  return read(from, (source: CopyEnd) => write(to, (target: CopyEnd) => copyTables(source, target, clock.nowMs())));
}
