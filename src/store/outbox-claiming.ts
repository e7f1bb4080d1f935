/**
 * How workers take items from the outbox. On SQLite one process does, in its turn among the
 * writers. On PostgreSQL many do at once and without waiting for the writers: what another one is
 * just taking is passed over.
 */
import { sql, type Expression, type Kysely } from 'kysely';
import type { StoreSchema } from './schema.ts';

export interface Claiming {
  run<Result>(work: (db: Kysely<StoreSchema>) => Promise<Result>): Promise<Result>;
  /** True when others may claim at the same moment. */
  readonly isShared: boolean;
  /** The instant that leases are measured by, in milliseconds, in place of the caller's own. */
  readonly instant?: Expression<number>;
}

/** Replicas' clocks differ; that of the database is one. */
export const databaseClock = sql<number>`(extract(epoch from clock_timestamp()) * 1000)::bigint`;
