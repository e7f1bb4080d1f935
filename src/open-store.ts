/**
 * Which store a `STEELYARD_DATABASE` names: today always an SQLite file, or `:memory:` for a store
 * that is gone after it was closed. The one place for the service and for the tools beside it.
 */
import type { KeptStore, ReadOnlyStore } from './ports.ts';
import { openSqliteReadOnly } from './store/read-only.ts';
import { openSqliteStore, type SqliteOptions } from './store/sqlite.ts';

export { StoreNotOpened } from './store/store-not-opened.ts';

export type StoreOptions = SqliteOptions;

/**
 * Opens a store only to read, beside a running service too: nothing is made, brought up to date or
 * locked. Throws StoreNotOpened when the store is not of this release, or cannot be used.
 */
export function openStoreReadOnly(database: string, options?: { readonly busyTimeoutMs?: number }): Promise<ReadOnlyStore> {
  return openSqliteReadOnly(database, options);
}

/** Throws StoreNotOpened when another service has it open, a newer release wrote it, or it cannot be used. */
export function openStore(database: string, options: StoreOptions): Promise<KeptStore> {
  return openSqliteStore(database, options);
}
