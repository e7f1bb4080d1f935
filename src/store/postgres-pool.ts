/**
 * Connections to PostgreSQL: what each session is set to, how long anything may take, and trouble
 * with the database told apart from mistakes of ours.
 */
import type { PostgresPool, PostgresPoolClient, PostgresQueryResult } from 'kysely';
import pg from 'pg';
import { ServiceError } from '../errors.ts';
import { StoreUnavailable } from '../ports.ts';

export interface PoolOptions {
  readonly connections: number;
  readonly readOnly?: boolean;
  /** How long a statement waits for a lock. */
  readonly lockTimeoutMs?: number;
  /** For a job for which nobody waits: everything takes as long as it takes, locks too unless a limit is given. */
  readonly isPatient?: boolean;
}

/** All in milliseconds. Common practice, no source, but for what is said of one against another. */
export const LIMITS = {
  connecting: 5_000,
  /** Longer than a hung replica keeps the lock, so that those who wait for it then go on. */
  lock: 5_000,
  /** A replica that hangs inside a transaction is cut off after so long. */
  idleInTransaction: 3_000,
  statement: 10_000,
  /** On top of what the database allows a statement: then it, or the network, does not answer. */
  answer: 3_000,
  keepAlive: 10_000,
} as const;

/** Class or code of errors after which trying later makes sense (PostgreSQL documentation, appendix "PostgreSQL Error Codes"). */
const TROUBLE = /^(08|53|57|58|25006$|25P03$|40001$|40P01$|55P03$|XX001$|XX002$)/;
/** Of those, what leaves the connection as good as before: a lock not had in time, a deadlock, a statement that took too long. */
const PASSING = /^(40001|40P01|55P03|57014)$/;
const PROGRAM_LIMIT_EXCEEDED = '54000';

const INT8 = 20;
const NUMERIC = 1700;

/**
 * Sums and counts come as text by default. All our numbers are below 2^53.
 * Times and the like never occur: all else stays the text that it is.
 */
const types = {
  getTypeParser: (oid: number) => (oid === INT8 || oid === NUMERIC ? Number : (text: string) => text),
};

/** A pool as the query layer wants it. Everything that fails for want of a working database fails as StoreUnavailable. */
export class Pool implements PostgresPool {
  readonly #pool: pg.Pool;

  /** Connects when first asked for a connection. @param url `postgres://…`; may hold a password */
  constructor(url: string, options: PoolOptions) {
    const { connections, isPatient = false } = options;
    this.#pool = new pg.Pool({
      connectionString: withSettings(url, options),
      fallback_application_name: 'steelyard',
      max: connections,
      types: types,
      connectionTimeoutMillis: LIMITS.connecting,
      ...(!isPatient && { query_timeout: LIMITS.statement + LIMITS.answer }),
      keepAlive: true,
      keepAliveInitialDelayMillis: LIMITS.keepAlive,
    });
    // a connection that breaks while nobody uses it: it is gone from the pool, and that is all
    this.#pool.on('error', () => undefined);
  }

  async connect(): Promise<PostgresPoolClient> {
    try {
      return new Client(await this.#pool.connect());
    } catch (error) {
      throw new StoreUnavailable(error);
    }
  }

  end(): Promise<void> {
    return this.#pool.end();
  }
}

/** One connection while somebody has it. */
class Client implements PostgresPoolClient {
  readonly #client: pg.PoolClient;
  #isBroken = false;
  readonly #onError = (): void => void (this.#isBroken = true);

  constructor(client: pg.PoolClient) {
    this.#client = client;
    client.on('error', this.#onError);
  }

  query<Row>(sql: string, parameters: readonly unknown[]): Promise<PostgresQueryResult<Row>>;
  query(cursor: unknown): never;
  query<Row>(sql: unknown, parameters: readonly unknown[] = []): Promise<PostgresQueryResult<Row>> {
    if (typeof sql !== 'string') throw new TypeError('cursors are not served');
    return this.#run<Row>(sql, parameters);
  }

  async #run<Row>(sql: string, parameters: readonly unknown[]): Promise<PostgresQueryResult<Row>> {
    try {
      // of several statements in one text there are several results, which nobody looks at
      return (await this.#client.query(sql, parameters.map(toParameter))) as unknown as PostgresQueryResult<Row>;
    } catch (error) {
      throw this.#explain(error);
    }
  }

  #explain(error: unknown): unknown {
    if (error instanceof pg.DatabaseError) {
      const code = error.code ?? '';
      if (code === PROGRAM_LIMIT_EXCEEDED)
        return new ServiceError('ERR_BAD_VALUE', 'an identifier or reference is too long to be found by; give one below 2,000 bytes', {
          cause: error,
        });
      if (!TROUBLE.test(code)) return error;
      if (!PASSING.test(code)) this.#isBroken = true;
      return new StoreUnavailable(error);
    }
    if (error instanceof TypeError || error instanceof RangeError) return error;
    // the driver's own errors all mean that the connection is gone, or does not answer
    this.#isBroken = true;
    return new StoreUnavailable(error);
  }

  release(destroy = false): void {
    const isKept = !destroy && !this.#isBroken;
    // a connection that is thrown away may still have an error to tell
    if (isKept) this.#client.off('error', this.#onError);
    this.#client.release(!isKept);
  }
}

/**
 * PostgreSQL's text cannot hold U+0000, which separates the parts of a fingerprint; U+0001 stands
 * for it. Neither comes in from outside: `core/json.ts` refuses texts with control characters.
 */
function toParameter(value: unknown): unknown {
  return typeof value === 'string' ? value.replaceAll('\u0000', '\u0001') : value;
}

/** A text of ours as it was before PostgreSQL kept it. */
export function withNul(text: string): string {
  return text.replaceAll('\u0001', '\u0000');
}

/** Ours come last, and win: durability and limits are no matter of taste. */
function withSettings(url: string, { readOnly = false, isPatient = false, lockTimeoutMs }: PoolOptions): string {
  const settings = {
    synchronous_commit: 'on',
    idle_in_transaction_session_timeout: isPatient ? 0 : LIMITS.idleInTransaction,
    lock_timeout: lockTimeoutMs ?? (isPatient ? 0 : LIMITS.lock),
    statement_timeout: isPatient ? 0 : LIMITS.statement,
    default_transaction_read_only: readOnly ? 'on' : 'off',
    default_transaction_isolation: String.raw`read\ committed`,
  };
  const connection = new URL(url);
  const given = connection.searchParams.get('options') ?? '';
  const ours = Object.entries(settings).map(([name, value]) => `-c ${name}=${value}`);
  connection.searchParams.set('options', [given, ...ours].join(' ').trim());
  return connection.href;
}
