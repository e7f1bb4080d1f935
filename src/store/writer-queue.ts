/**
 * Group commit: all writing goes through one queue, and what waits is committed together.
 *
 * A commit costs one wait for the disk however much is in it, so sixty requests that share one
 * are answered about as fast as one alone. Each unit of work runs by itself, one after another,
 * inside a savepoint: one that fails takes nothing of the others with it.
 */
import {
  sql,
  type Kysely,
  type KyselyPlugin,
  type PluginTransformQueryArgs,
  type PluginTransformResultArgs,
  type RootOperationNode,
  type QueryResult,
  type UnknownRow,
} from 'kysely';
import { StoreUnavailable, type CommitListener } from '../ports.ts';
import type { StoreSchema } from './schema.ts';

/** Keeps a group short enough that the first in it does not wait long for the last. */
const LARGEST_GROUP = 64;

/**
 * More than wait here would fill the memory before they are written; five batch Bundles of the
 * largest size. Whoever takes requests in is to look at `waiting` and stop long before.
 */
export const MOST_WAITING = 5_000;

interface Unit {
  readonly work: (db: Kysely<StoreSchema>) => Promise<unknown>;
  readonly resolve: (value: unknown) => void;
  readonly reject: (reason: unknown) => void;
}

/** Refuses queries of a unit that has ended: they would land in somebody else's unit, or in none. */
class UnitSpan implements KyselyPlugin {
  #ended = false;

  end(): void {
    this.#ended = true;
  }

  transformQuery({ node }: PluginTransformQueryArgs): RootOperationNode {
    if (this.#ended) throw new Error('a unit of work used the store after it had ended');
    return node;
  }

  transformResult({ result }: PluginTransformResultArgs): Promise<QueryResult<UnknownRow>> {
    return Promise.resolve(result);
  }
}

export class WriterQueue {
  readonly #db: Kysely<StoreSchema>;
  readonly #waiting: Unit[] = [];
  #draining: Promise<void> | undefined;
  #closed = false;
  #listener: CommitListener | undefined;

  /** @param db a query layer that nobody else writes through */
  constructor(db: Kysely<StoreSchema>) {
    this.#db = db;
  }

  /** Units that wait for their turn. */
  get waiting(): number {
    return this.#waiting.length;
  }

  /** One listener hears of each commit, and of each that failed. */
  onCommit(listener: CommitListener): void {
    this.#listener = listener;
  }

  /**
   * Resolves with what `work` returned once the commit that holds it is on disk; rejects with what
   * `work` threw, or with StoreUnavailable when the group could not commit or too many wait already.
   * In all these cases nothing of the unit is stored. `work` must not wait for another unit: it would wait for itself.
   */
  run<Result>(work: (db: Kysely<StoreSchema>) => Promise<Result>): Promise<Result> {
    if (this.#closed) return Promise.reject(new StoreUnavailable(new Error('the store is closed')));
    if (this.#waiting.length >= MOST_WAITING)
      return Promise.reject(new StoreUnavailable(new Error(`more than ${MOST_WAITING} units of work wait`)));
    return new Promise<Result>((resolve, reject) => {
      this.#waiting.push({ work, resolve: (value) => resolve(value as Result), reject });
      this.#draining ??= this.#drain();
    });
  }

  /** Takes no more units; resolves when those that wait are done. */
  async close(): Promise<void> {
    this.#closed = true;
    await this.#draining;
  }

  async #drain(): Promise<void> {
    while (this.#waiting.length > 0) {
      // one turn of the event loop lets the requests that have just arrived join this group
      await new Promise((resolve) => setImmediate(resolve));
      await this.#commitTogether(this.#waiting.splice(0, LARGEST_GROUP));
    }
    this.#draining = undefined;
  }

  async #commitTogether(group: readonly Unit[]): Promise<void> {
    const answers: (() => void)[] = [];
    const beganAt = performance.now();
    const tell = (isStored: boolean): void => this.#listener?.({ units: group.length, durationMs: performance.now() - beganAt, isStored });
    try {
      await this.#db.transaction().execute(async (trx) => {
        for (const unit of group) answers.push(await runUnit(trx, unit));
      });
      tell(true);
    } catch (error) {
      tell(false);
      const unavailable = error instanceof StoreUnavailable ? error : new StoreUnavailable(error);
      for (const unit of group) unit.reject(unavailable);
      return;
    }
    for (const answer of answers) answer();
  }
}

/** Runs one unit and says how to answer it after the commit. Throws when the transaction is lost. */
async function runUnit(trx: Kysely<StoreSchema>, { work, resolve, reject }: Unit): Promise<() => void> {
  const span = new UnitSpan();
  await sql`savepoint unit_of_work`.execute(trx);
  try {
    const result = await work(trx.withPlugin(span));
    span.end();
    await sql`release savepoint unit_of_work`.execute(trx);
    return () => resolve(result);
  } catch (error) {
    span.end();
    await sql`rollback to savepoint unit_of_work`.execute(trx);
    await sql`release savepoint unit_of_work`.execute(trx);
    return () => reject(error);
  }
}
