/**
 * One service per SQLite file: a lock on `<file>.lock`, held by the operating system for as long as
 * this process lives. A crash frees it; no stale file ever has to be deleted by hand.
 */
import Database from 'better-sqlite3';
import { createPrivately } from './private-file.ts';
import { StoreNotOpened } from './store-not-opened.ts';

/** Returns what gives the lock back. Throws StoreNotOpened when somebody else holds it. */
export function lockStore(path: string): () => void {
  createPrivately(`${path}.lock`);
  const lock = new Database(`${path}.lock`, { timeout: 0 });
  try {
    lock.pragma('journal_mode = MEMORY'); // no file beside the lock
    lock.exec('begin exclusive');
  } catch (error) {
    lock.close();
    const isHeld = error instanceof Database.SqliteError && error.code.startsWith('SQLITE_BUSY');
    throw new StoreNotOpened(isHeld ? 'in-use' : 'unusable', error);
  }
  return () => lock.close();
}
