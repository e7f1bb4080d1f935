/**
 * Opening the embedded store: one SQLite file, one connection that writes, one that only reads.
 *
 * WAL with synchronous=FULL: a commit that was answered survives a crash of the process, of the
 * system and a loss of power (SQLite documentation, "PRAGMA synchronous", "Write-Ahead Logging").
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import type { Clock, KeptStore } from '../ports.ts';
import { MIGRATIONS } from './migrations/all.ts';
import { migrate } from './migrator.ts';
import { createPrivately } from './private-file.ts';
import type { StoreSchema } from './schema.ts';
import { SqlStore, type StoreConnections } from './sql-store.ts';
import { refuseDamaged } from './sqlite-damage.ts';
import { ImmediateSqliteDialect } from './sqlite-dialect.ts';
import { lockStore } from './store-lock.ts';
import { StoreNotOpened } from './store-not-opened.ts';

export interface SqliteOptions {
  readonly clock: Clock;
  /**
   * True (the default) for the service: nobody else may open the store so. False for a tool that
   * works beside a running service, as `steelyard outbox` does; transactions keep them apart.
   */
  readonly exclusive?: boolean;
  /** How long a write waits, blocking, for another process to let go of the file. */
  readonly busyTimeoutMs?: number;
}

const BUSY_TIMEOUT_MS = 1000;

/**
 * Opens the store in the file at `path`, which is made when it does not exist (its folder must),
 * and brings its tables up to date. `:memory:` gives an empty store for a test, gone after close.
 *
 * Throws StoreNotOpened when another service has it open, a newer release wrote it, or the file
 * cannot be used.
 */
export async function openSqliteStore(path: string, options: SqliteOptions): Promise<KeptStore> {
  const { connections } = await connectSqlite(path, options);
  return new SqlStore(connections, options.clock);
}

/** What a store is made of, and beneath it the connection that writes. Throws as {@link openSqliteStore} does. */
export async function connectSqlite(
  path: string,
  options: SqliteOptions,
): Promise<{ readonly connections: StoreConnections; readonly writer: Database.Database }> {
  // a real file for `:memory:` too, since a second connection cannot see into the memory of the first
  const isPassing = path === ':memory:';
  const file = isPassing ? join(mkdtempSync(join(tmpdir(), 'steelyard-')), 'store.db') : path;
  const toRelease: (() => void)[] = isPassing ? [() => rmSync(dirname(file), { recursive: true, force: true })] : [];
  const release = (): void => toRelease.reverse().forEach((step) => step());
  const connect = (readonly: boolean): Database.Database => {
    const database = new Database(file, { readonly, timeout: options.busyTimeoutMs ?? BUSY_TIMEOUT_MS });
    toRelease.push(() => database.close());
    return database;
  };
  try {
    createPrivately(file);
    if (options.exclusive ?? true) toRelease.push(lockStore(file));
    const writer = connect(false);
    if (options.exclusive ?? true) refuseDamaged(writer);
    const mode = writer.pragma('journal_mode = WAL', { simple: true });
    if (mode !== 'wal') throw new Error(`this file system does not allow the write-ahead log (journal mode ${String(mode)})`);
    writer.pragma(`synchronous = ${isPassing ? 'OFF' : 'FULL'}`);
    writer.pragma('foreign_keys = ON');
    // what is removed is overwritten, not only forgotten
    writer.pragma('secure_delete = ON');
    const writing = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(writer) });
    await migrate(writing, MIGRATIONS, options.clock.nowMs());
    const reading = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(connect(true)) });
    return { connections: { writing, reading, release }, writer };
  } catch (error) {
    release();
    throw error instanceof StoreNotOpened ? error : new StoreNotOpened('unusable', error);
  }
}
