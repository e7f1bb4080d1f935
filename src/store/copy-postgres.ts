/** A PostgreSQL database as one end of a copy. */
import type { Kysely } from 'kysely';
import { sql } from 'kysely';
import { PRIMARY_KEYS, type CopyEnd } from './copy.ts';
import { connect, PATIENT, toPostgresStatements } from './postgres.ts';
import { withNul } from './postgres-pool.ts';
import type { StoreSchema } from './schema.ts';

const LONGEST_WAIT_MS = 10_000;

/**
 * Runs `work` in one transaction that holds the writers' lock: nobody writes meanwhile, and what
 * `work` wrote is kept when it succeeds.
 */
export async function onPostgres<Result>(url: string, work: (end: CopyEnd) => Promise<Result>): Promise<Result> {
  // two ends in one database would wait for each other without end
  const db = connect(url, { ...PATIENT, lockTimeoutMs: LONGEST_WAIT_MS });
  try {
    return await db.transaction().execute((trx) => work(endAt(trx)));
  } finally {
    await db.destroy();
  }
}

function endAt(db: Kysely<StoreSchema>): CopyEnd {
  return {
    db,
    toStatements: toPostgresStatements,
    asKept: withNul,
    async tables() {
      const { rows } = await sql<{ name: string }>`select tablename as name from pg_tables where schemaname = current_schema()`.execute(db);
      return rows.map(({ name }) => name);
    },
    async lastNumbers() {
      const { rows } = await sql<{ name: string; last: number | null }>`
        select t.relname as name, pg_sequence_last_value(s.oid) as last
        from pg_class s
        join pg_depend d on d.classid = 'pg_class'::regclass and d.objid = s.oid and d.deptype = 'i'
        join pg_class t on t.oid = d.refobjid
        where s.relkind = 'S' and t.relnamespace = current_schema()::regnamespace`.execute(db);
      return new Map(rows.flatMap(({ name, last }) => (last === null ? [] : [[name, last] as const])));
    },
    async setLastNumber(table, column, last) {
      // a sequence that has given nothing yet starts at 1 anyway
      if (last > 0) await sql`select setval(pg_get_serial_sequence(${table}, ${column}), ${last})`.execute(db);
    },
    async settle() {
      for (const table of Object.keys(PRIMARY_KEYS)) await sql`analyze ${sql.table(table)}`.execute(db);
    },
  };
}
