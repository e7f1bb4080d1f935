/** A Store over two query layers: one that writes, through the queue, and one that reads what is committed. */
import { sql, type Kysely } from 'kysely';
import {
  StoreUnavailable,
  type AuditReader,
  type Clock,
  type CommitListener,
  type ExportStore,
  type KeptStore,
  type OutboxStore,
  type RetentionStore,
  type SessionStore,
  type StoreMarks,
  type StoreReader,
  type StoreWriter,
  type SubscriptionStore,
} from '../ports.ts';
import type { Claiming } from './outbox-claiming.ts';
import { SqlAudit } from './audit.ts';
import { SqlExports } from './exports.ts';
import { SqlOutbox } from './outbox.ts';
import { SqlMarks } from './marks.ts';
import { SqlReader } from './reader.ts';
import { SqlRetention } from './retention.ts';
import type { StoreSchema } from './schema.ts';
import { SqlSessions } from './sessions.ts';
import { SqlSubscriptions } from './subscriptions.ts';
import { SqlWriter } from './writer.ts';
import { WriterQueue } from './writer-queue.ts';

export interface StoreConnections {
  readonly writing: Kysely<StoreSchema>;
  readonly reading: Kysely<StoreSchema>;
  /** Closes the connections beneath; called once, when nothing uses them any more. */
  readonly release: () => void;
  /** How workers claim, where it is not in their turn among the writers. */
  readonly claiming?: Claiming;
  /** Proves that a write would commit now, where a turn among the writers may be far off. Throws StoreUnavailable. */
  readonly proveReady?: () => Promise<void>;
}

export class SqlStore implements KeptStore {
  readonly read: StoreReader;
  readonly outbox: OutboxStore;
  readonly marks: StoreMarks;
  readonly retention: RetentionStore;
  readonly audit: AuditReader;
  readonly sessions: SessionStore;
  readonly subscriptions: SubscriptionStore;
  readonly exports: ExportStore;
  readonly #connections: StoreConnections;
  readonly #clock: Clock;
  readonly #queue: WriterQueue;
  #closing: Promise<void> | undefined;

  constructor(connections: StoreConnections, clock: Clock) {
    this.#connections = connections;
    this.#clock = clock;
    this.#queue = new WriterQueue(connections.writing);
    this.read = new SqlReader(connections.reading);
    const inTurn: Claiming = { run: (work) => this.#queue.run(work), isShared: false };
    const claiming = connections.claiming ?? inTurn;
    this.outbox = new SqlOutbox(connections.reading, this.#queue, clock, claiming);
    this.subscriptions = new SqlSubscriptions(connections.reading, this.#queue, claiming);
    this.exports = new SqlExports(connections.reading, this.#queue);
    this.marks = new SqlMarks(connections.reading, this.#queue);
    this.retention = new SqlRetention(connections.reading, this.#queue, clock);
    this.audit = new SqlAudit(connections.reading);
    this.sessions = new SqlSessions(connections.reading, this.#queue);
  }

  /** See {@link Store.write}. `work` must not call `write` itself: it would wait for its own end. */
  write<Result>(work: (tx: StoreWriter) => Promise<Result>): Promise<Result> {
    return this.#queue.run((db) => work(new SqlWriter(db, this.#clock)));
  }

  waitingUnits(): number {
    return this.#queue.waiting;
  }

  onCommit(listener: CommitListener): void {
    this.#queue.onCommit(listener);
  }

  async isReady(): Promise<boolean> {
    if (this.#closing) return false;
    try {
      const { proveReady } = this.#connections;
      await (proveReady?.() ?? this.#queue.run((db) => sql`update health set checks = checks + 1`.execute(db)));
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
