/**
 * How the query layer talks to PostgreSQL: every transaction begins with one lock that all
 * replicas share.
 *
 * Under it a group commit is alone in writing, as it is on SQLite: numbers and instants are handed
 * out in the order in which they are committed, a person's readings are judged one after another,
 * and a reader who goes on "after n" skips nothing, since PostgreSQL makes a commit visible before
 * it lets go of the locks. READ COMMITTED: each statement after the lock sees all that was
 * committed before it (PostgreSQL documentation, "Transaction Isolation", "Advisory Locks").
 */
import { CompiledQuery, PostgresDialect, PostgresDriver, type DatabaseConnection, type Driver, type PostgresPool } from 'kysely';

/** Any number does that nobody else uses in this database: the letters `steelyar` as a 64-bit integer. */
const WRITERS_LOCK = 8_319_385_897_946_145_138n;

export const TAKE_WRITERS_LOCK = `select pg_advisory_xact_lock(${WRITERS_LOCK})`;

/** One text, one way to the database and back. */
const BEGIN = CompiledQuery.raw(`begin isolation level read committed; ${TAKE_WRITERS_LOCK}`);

class LockingDriver extends PostgresDriver {
  override async beginTransaction(connection: DatabaseConnection): Promise<void> {
    try {
      await connection.executeQuery(BEGIN);
    } catch (error) {
      // the transaction has begun though the lock was not had; kysely ends only what began well
      await connection.executeQuery(CompiledQuery.raw('rollback')).catch(() => undefined);
      throw error;
    }
  }
}

/** Ends the pool when the query layer is destroyed. */
export class LockingPostgresDialect extends PostgresDialect {
  readonly #pool: PostgresPool;

  constructor(pool: PostgresPool) {
    super({ pool });
    this.#pool = pool;
  }

  override createDriver(): Driver {
    return new LockingDriver({ pool: this.#pool });
  }
}
