/**
 * A store for a moment that can be had empty again: opening one takes some fourteen milliseconds of
 * work, nearly all of it making tables, and emptying one a fraction of that.
 */
import type Database from 'better-sqlite3';
import type { Clock, KeptStore } from '../ports.ts';
import { SqlStore } from './sql-store.ts';
import { connectSqlite } from './sqlite.ts';

export interface PassingStore extends KeptStore {
  /**
   * Brings every table back to the rows and numbers that it had when the store was opened. Nobody
   * may be using the store: throws when a unit of work is under way.
   */
  empty(): void;
}

/** Opens an empty store that is gone after close. Throws StoreNotOpened when no file can be made. */
export async function openPassingStore(clock: Clock): Promise<PassingStore> {
  const { connections, writer } = await connectSqlite(':memory:', { clock });
  const restoring = tablesOf(writer).map((table) => restorer(writer, table));
  const forgetNumbers = writer.prepare('delete from sqlite_sequence');
  const store = new SqlStore(connections, clock);
  const takeBack = writer.transaction(() => {
    // tables refer to each other, and only the whole has to be right
    writer.pragma('defer_foreign_keys = ON');
    for (const restore of restoring) restore();
    forgetNumbers.run();
  });
  const empty = (): void => {
    // beneath an open transaction it would be a savepoint of that
    if (writer.inTransaction) throw new Error('a store cannot be emptied while a unit of work is under way');
    takeBack.immediate();
  };
  return Object.assign(store, { empty });
}

function tablesOf(database: Database.Database): string[] {
  return database
    .prepare<[], { readonly name: string }>(
      "select name from sqlite_schema where type = 'table' and name not like 'sqlite\\_%' escape '\\'",
    )
    .all()
    .map(({ name }) => name);
}

/** Brings a table back to the rows that it has now. */
function restorer(database: Database.Database, table: string): () => void {
  const clear = database.prepare(`delete from "${table}"`);
  const refills = database
    .prepare<[], Readonly<Record<string, unknown>>>(`select * from "${table}"`)
    .all()
    .map((row) => {
      const columns = Object.keys(row);
      const places = columns.map(() => '?').join(', ');
      const insert = database.prepare(`insert into "${table}" ("${columns.join('", "')}") values (${places})`);
      return () => void insert.run(...Object.values(row));
    });
  return () => {
    clear.run();
    for (const refill of refills) refill();
  };
}
