/** An SQLite file as one end of a copy. */
import { existsSync, rmSync, statSync } from 'node:fs';
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import { CopyRefused, type CopyEnd } from './copy.ts';
import { asWritten } from './migrator.ts';
import { createPrivately } from './private-file.ts';
import type { StoreSchema } from './schema.ts';
import { ImmediateSqliteDialect } from './sqlite-dialect.ts';
import { lockStore } from './store-lock.ts';

/**
 * Reads from the file as it is at this moment; a service cannot open it meanwhile. Throws
 * StoreNotOpened when one has it open.
 */
export async function fromSqlite<Result>(path: string, read: (source: CopyEnd) => Promise<Result>): Promise<Result> {
  const unlock = lockStore(path);
  try {
    const database = new Database(path, { readonly: true, fileMustExist: true });
    // all reading is of one moment, whatever a command does beside it
    database.exec('begin');
    const db = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
    try {
      return await read(endAt(db, database));
    } finally {
      await db.destroy();
    }
  } finally {
    unlock();
  }
}

/** Writes into a new file, which is gone again when `write` fails. Throws CopyRefused when there is one. */
export async function toSqlite<Result>(path: string, write: (target: CopyEnd) => Promise<Result>): Promise<Result> {
  if (existsSync(path) && statSync(path).size > 0) throw new CopyRefused('the target file exists already; give a new one');
  createPrivately(path);
  const unlock = lockStore(path);
  const database = new Database(path);
  const db = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
  try {
    database.pragma('synchronous = FULL');
    database.pragma('foreign_keys = ON');
    const result = await db.transaction().execute((trx) => write(endAt(trx, database)));
    await db.destroy();
    return result;
  } catch (error) {
    await db.destroy();
    for (const file of [path, `${path}-journal`]) rmSync(file, { force: true });
    throw error;
  } finally {
    unlock();
  }
}

function endAt(db: Kysely<StoreSchema>, database: Database.Database): CopyEnd {
  return {
    db,
    toStatements: asWritten,
    asKept: (text) => text,
    tables: () =>
      database.prepare("select name from sqlite_schema where type = 'table' and name not like 'sqlite_%'").pluck().all() as string[],
    lastNumbers: () =>
      new Map(
        database
          .prepare<[], { name: string; seq: number }>('select name, seq from sqlite_sequence')
          .all()
          .map(({ name, seq }) => [name, seq]),
      ),
    setLastNumber: (table, _column, last) => {
      database.prepare('delete from sqlite_sequence where name = ?').run(table);
      database.prepare('insert into sqlite_sequence (name, seq) values (?, ?)').run(table, last);
    },
    settle: () => undefined,
  };
}
