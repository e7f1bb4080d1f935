/** A Store over two query layers: one that writes, through the queue, and one that reads what is committed. */
import { sql, type Kysely } from 'kysely';
import { StoreUnavailable, type Clock, type OutboxStore, type Store, type StoreReader, type StoreWriter } from '../ports.ts';
import { SqlOutbox } from './outbox.ts';
import { SqlReader } from './reader.ts';
import type { StoreSchema } from './schema.ts';
import { SqlWriter } from './writer.ts';
import { WriterQueue } from './writer-queue.ts';

export interface StoreConnections {
  readonly writing: Kysely<StoreSchema>;
  readonly reading: Kysely<StoreSchema>;
  /** Closes the connections beneath; called once, when nothing uses them any more. */
  readonly release: () => void;
}

export class SqlStore implements Store {
  readonly read: StoreReader;
  readonly outbox: OutboxStore;
  readonly #connections: StoreConnections;
  readonly #clock: Clock;
  readonly #queue: WriterQueue;
  #closing: Promise<void> | undefined;

  constructor(connections: StoreConnections, clock: Clock) {
    this.#connections = connections;
    this.#clock = clock;
    this.#queue = new WriterQueue(connections.writing);
    this.read = new SqlReader(connections.reading);
    this.outbox = new SqlOutbox(connections.reading, this.#queue);
  }

  /** See {@link Store.write}. `work` must not call `write` itself: it would wait for its own end. */
  write<Result>(work: (tx: StoreWriter) => Promise<Result>): Promise<Result> {
    return this.#queue.run((db) => work(new SqlWriter(db, this.#clock)));
  }

  waitingUnits(): number {
    return this.#queue.waiting;
  }

  async isReady(): Promise<boolean> {
    try {
      await this.#queue.run((db) => sql`update health set checks = checks + 1`.execute(db));
      return true;
    } catch (error) {
      if (error instanceof StoreUnavailable) return false;
      throw error;
    }
  }

  /** Finishes the units that wait, then closes. A second call waits for the first. */
  close(): Promise<void> {
    this.#closing ??= this.#close();
    return this.#closing;
  }

  async #close(): Promise<void> {
    await this.#queue.close();
    await this.#connections.reading.destroy();
    await this.#connections.writing.destroy();
    this.#connections.release();
  }
}
