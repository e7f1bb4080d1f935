/**
 * Opening the store on PostgreSQL, which any number of replicas may have open: two connections
 * that write, one of them for claims and the readiness check, and some that only read.
 */
import { Kysely, sql } from 'kysely';
import { StoreUnavailable, type Clock, type KeptStore, type ReadOnlyStore } from '../ports.ts';
import { MIGRATIONS } from './migrations/all.ts';
import { migrate, type Migration } from './migrator.ts';
import { databaseClock, type Claiming } from './outbox-claiming.ts';
import { toPostgresDdl } from './postgres-ddl.ts';
import { LockingPostgresDialect, TAKE_WRITERS_LOCK } from './postgres-dialect.ts';
import { Pool, type PoolOptions } from './postgres-pool.ts';
import { refuseOtherTables } from './read-only.ts';
import { SqlAudit } from './audit.ts';
import { SqlReader } from './reader.ts';
import type { StoreSchema } from './schema.ts';
import { SqlStore } from './sql-store.ts';
import { StoreNotOpened } from './store-not-opened.ts';

export interface PostgresOptions {
  readonly clock: Clock;
  /** How long a write waits for other replicas. */
  readonly lockTimeoutMs?: number;
  /**
   * Whose clock a lease is measured by: the database's (the default), since replicas' clocks
   * differ, or the caller's, for tests in which time is set.
   */
  readonly leaseClock?: 'database' | 'caller';
  /** For tools that work on a store: one is not made where there is none, in a database of a wrong name. */
  readonly mustExist?: boolean;
}

/** A group commit has one at a time; the other is for claims and the readiness check. */
const WRITING_CONNECTIONS = 2;
/** Common practice, no source: requests wait for one of so many. */
const READING_CONNECTIONS = 8;
/** Making an index on a large table takes minutes, and the other replicas wait for it. */
export const PATIENT: PoolOptions = { connections: 1, isPatient: true };
/** A store that others have locked for so long is not ready. */
const READINESS_LOCK_MS = 1_000;

/** Statements without parameters in one text are one transaction, which holds nothing once it failed. */
const PROVE_READY = `set local lock_timeout = ${READINESS_LOCK_MS}; ${TAKE_WRITERS_LOCK}; update health set checks = checks + 1`;

/** Opens connections as they are needed. Destroy the query layer to close them. */
export function connect(url: string, options: PoolOptions): Kysely<StoreSchema> {
  return new Kysely<StoreSchema>({ dialect: new LockingPostgresDialect(new Pool(url, options)) });
}

/**
 * Opens the store in an existing database and brings its tables up to date.
 *
 * Throws StoreNotOpened when the database does not answer, a newer release wrote the store, or
 * the database cannot be used; with `mustExist` also when there is no store in it.
 */
export async function openPostgresStore(
  url: string,
  { clock, lockTimeoutMs, leaseClock, mustExist = false }: PostgresOptions,
): Promise<KeptStore> {
  await migratePostgres(url, clock.nowMs(), { mustExist });
  const limits = lockTimeoutMs === undefined ? {} : { lockTimeoutMs };
  const writing = connect(url, { connections: WRITING_CONNECTIONS, ...limits });
  const reading = connect(url, { connections: READING_CONNECTIONS, readOnly: true });
  const claiming: Claiming = {
    run: (work) => work(writing),
    isShared: true,
    ...(leaseClock !== 'caller' && { instant: databaseClock }),
  };
  const proveReady = async (): Promise<void> => {
    await sql.raw(PROVE_READY).execute(writing);
  };
  return new SqlStore({ writing, reading, release: () => undefined, claiming, proveReady }, clock);
}

/** As {@link openPostgresStore}, but nothing can be changed through it and nothing is brought up to date. */
export async function openPostgresReadOnly(url: string): Promise<ReadOnlyStore> {
  const reading = connect(url, { connections: READING_CONNECTIONS, readOnly: true });
  return opened(reading, async () => {
    await refuseOtherTables(reading);
    return { read: new SqlReader(reading), audit: new SqlAudit(reading), close: () => reading.destroy() };
  });
}

/** Applies the migrations that are missing and returns them. Throws as {@link openPostgresStore} does. */
export async function migratePostgres(url: string, nowMs: number, { mustExist = false } = {}): Promise<readonly Migration[]> {
  const migrating = connect(url, PATIENT);
  return opened(migrating, async () => {
    await refuseOtherEncodings(migrating);
    if (mustExist) await refuseNoStore(migrating);
    const applied = await migrate(migrating, MIGRATIONS, nowMs, toPostgresStatements);
    await migrating.destroy();
    return applied;
  });
}

export function toPostgresStatements({ statements, postgres, postgresStatistics = [] }: Migration): readonly string[] {
  return [...(postgres ?? statements.map(toPostgresDdl)), ...postgresStatistics];
}

async function refuseOtherEncodings(db: Kysely<StoreSchema>): Promise<void> {
  const { rows } = await sql<{ encoding: string }>`select current_setting('server_encoding') as encoding`.execute(db);
  if (rows[0]?.encoding !== 'UTF8') throw new StoreNotOpened('encoding');
}

async function refuseNoStore(db: Kysely<StoreSchema>): Promise<void> {
  const { rows } = await sql<{ found: string | null }>`select to_regclass('migration')::text as found`.execute(db);
  if (typeof rows[0]?.found !== 'string') throw new StoreNotOpened('missing');
}

/** Leaves no connection open when `work` fails, which it does as StoreNotOpened. */
async function opened<Result>(db: Kysely<StoreSchema>, work: () => Promise<Result>): Promise<Result> {
  try {
    return await work();
  } catch (error) {
    await db.destroy();
    if (error instanceof StoreNotOpened) throw error;
    throw new StoreNotOpened(error instanceof StoreUnavailable ? 'unreachable' : 'unusable', error);
  }
}
