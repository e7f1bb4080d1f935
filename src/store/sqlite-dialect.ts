/**
 * How the query layer talks to better-sqlite3: transactions that take the write lock at once,
 * statements prepared once, and disk or lock trouble told apart from mistakes of ours.
 */
import type Database from 'better-sqlite3';
import {
  CompiledQuery,
  SqliteDialect,
  SqliteDriver,
  type DatabaseConnection,
  type Driver,
  type SqliteDatabase,
  type SqliteStatement,
} from 'kysely';
import { StoreUnavailable } from '../ports.ts';

/** Result codes after which trying later, or on a mended disk, makes sense (sqlite.org, "Result and Error Codes"). */
const STORAGE_TROUBLE = /^SQLITE_(BUSY|LOCKED|FULL|READONLY|IOERR|CANTOPEN|NOMEM|PROTOCOL|CORRUPT|NOTADB|PERM)/;

/** Searches with lists have as many texts as lists have lengths; beyond this the cache starts anew. */
const MOST_STATEMENTS = 500;

function isStorageTrouble(error: unknown): boolean {
  return error instanceof Error && 'code' in error && typeof error.code === 'string' && STORAGE_TROUBLE.test(error.code);
}

function orUnavailable<Result>(act: () => Result): Result {
  try {
    return act();
  } catch (error) {
    throw isStorageTrouble(error) ? new StoreUnavailable(error) : error;
  }
}

/** A connection as kysely wants it; disk and lock errors come out as StoreUnavailable. */
class Connection implements SqliteDatabase {
  readonly #database: Database.Database;
  readonly #statements = new Map<string, SqliteStatement>();
  /** Between BEGIN and the end of a transaction. */
  expectsTransaction = false;

  constructor(database: Database.Database) {
    this.#database = database;
  }

  get inTransaction(): boolean {
    return this.#database.inTransaction;
  }

  prepare(sql: string): SqliteStatement {
    // a full disk may roll the whole transaction back on its own; what follows would then commit one by one
    if (this.expectsTransaction && !this.#database.inTransaction) {
      throw new StoreUnavailable(new Error('the transaction was rolled back by the database'));
    }
    const known = this.#statements.get(sql);
    if (known) return known;
    if (this.#statements.size >= MOST_STATEMENTS) this.#statements.clear();
    const prepared = orUnavailable(() => this.#database.prepare(sql));
    const statement: SqliteStatement = {
      reader: prepared.reader,
      all: (parameters) => orUnavailable(() => prepared.all(...parameters)),
      run: (parameters) => orUnavailable(() => prepared.run(...parameters)),
      iterate: (parameters) => prepared.iterate(...parameters),
    };
    this.#statements.set(sql, statement);
    return statement;
  }

  close(): void {
    this.#statements.clear();
    this.#database.close();
  }
}

/**
 * BEGIN IMMEDIATE: a transaction that reads first and takes the lock later fails at once with
 * SQLITE_BUSY_SNAPSHOT when somebody wrote in between, whatever the busy timeout.
 */
class ImmediateDriver extends SqliteDriver {
  readonly #connection: Connection;

  constructor(connection: Connection) {
    super({ database: connection });
    this.#connection = connection;
  }

  override async beginTransaction(connection: DatabaseConnection): Promise<void> {
    // one whose rollback failed is open still: nothing of it may be committed, and it must not keep all others out
    if (this.#connection.inTransaction) await this.rollbackTransaction(connection);
    await connection.executeQuery(CompiledQuery.raw('begin immediate'));
    this.#connection.expectsTransaction = true;
  }

  override async commitTransaction(connection: DatabaseConnection): Promise<void> {
    await connection.executeQuery(CompiledQuery.raw('commit'));
    this.#connection.expectsTransaction = false;
  }

  override async rollbackTransaction(connection: DatabaseConnection): Promise<void> {
    this.#connection.expectsTransaction = false;
    if (this.#connection.inTransaction) await connection.executeQuery(CompiledQuery.raw('rollback'));
  }
}

/** Takes over `database` and closes it when the query layer is destroyed. */
export class ImmediateSqliteDialect extends SqliteDialect {
  readonly #connection: Connection;

  constructor(database: Database.Database) {
    const connection = new Connection(database);
    super({ database: connection });
    this.#connection = connection;
  }

  override createDriver(): Driver {
    return new ImmediateDriver(this.#connection);
  }
}
