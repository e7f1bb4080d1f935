/**
 * Audit events that belong to no unit of work of their own: reads, refusals of access, start, stop
 * and changed configuration. `record` resolves when the event is on disk, and whoever is about to
 * reveal something waits for that.
 *
 * While the store cannot commit, reading goes on: a ward must not go blind because a disk is full.
 * Events then wait in memory and are written, in order, once the store takes them again. Only so many
 * may wait; beyond that nothing more is revealed. What waits when the process dies is lost; the log
 * says when waiting began and ended.
 */
import { toAuditEvent, type AuditedFacts, type NewAuditEvent } from './core/audit/event.ts';
import { RefusedAccess } from './refused-access.ts';
import { StoreUnavailable, type AuditPlace, type Clock, type Store } from './ports.ts';

export interface AuditTrailLog {
  /** The head of the chain, to be compared with later: `steelyard audit verify --expect`. */
  auditHead(head: AuditPlace): void;
  /** Events began to wait, were written after all, or are lost at the end. */
  auditWaiting(state: 'begun' | 'over' | 'lost', events: number): void;
  fault(error: unknown, facts: { readonly during: string }): void;
}

export interface AuditTrailOptions {
  readonly store: Pick<Store, 'write' | 'audit'>;
  readonly clock: Clock;
  readonly log: AuditTrailLog;
  /** How many events may wait in memory. */
  readonly mostWaiting?: number;
  readonly retryMs?: number;
  /** How often the head of the chain is logged. */
  readonly headMs?: number;
}

export type UntimedFacts = Omit<AuditedFacts, 'recordedMs'>;

const MOST_WAITING = 10_000;
const RETRY_MS = 1_000;
const HEAD_MS = 3_600_000;
const EVENTS_A_UNIT = 100;

export class AuditTrail {
  readonly #options: Required<AuditTrailOptions>;
  readonly #waiting: NewAuditEvent[] = [];
  readonly #refused: RefusedAccess;
  #retry: NodeJS.Timeout | undefined;
  #draining: Promise<void> | undefined;
  #heads: NodeJS.Timeout | undefined;

  constructor(options: AuditTrailOptions) {
    this.#options = { mostWaiting: MOST_WAITING, retryMs: RETRY_MS, headMs: HEAD_MS, ...options };
    this.#refused = new RefusedAccess((facts) => this.recordIfPossible(facts));
  }

  /** How many events wait for the store. */
  get waiting(): number {
    return this.#waiting.length;
  }

  /** Logs the head of the chain now and every hour, and closes the minutes in which access was refused often. */
  start(): void {
    this.#heads = setInterval(() => void this.noteHead(), this.#options.headMs).unref();
    this.#refused.start(this.#options.clock);
    void this.noteHead();
  }

  /**
   * Resolves when the event is on disk, or waits for a store that cannot commit now.
   *
   * @throws StoreUnavailable when too many wait already: reveal nothing then
   */
  async record(facts: UntimedFacts): Promise<void> {
    await this.#record(this.#eventOf(facts), this.#options.mostWaiting);
  }

  /** The same for what reveals nothing: half of the room is kept free for reads, and beyond it the event is lost. */
  async recordIfPossible(facts: UntimedFacts): Promise<void> {
    try {
      await this.#record(this.#eventOf(facts), Math.floor(this.#options.mostWaiting / 2));
    } catch (error) {
      if (!(error instanceof StoreUnavailable)) throw error;
    }
  }

  /** A refusal of access: the first few of a kind in a minute one by one, the rest of that minute as one event with a count. */
  async accessRefused(kind: string, facts: UntimedFacts): Promise<void> {
    await this.#refused.note(kind, facts, this.#options.clock.nowMs());
  }

  async noteHead(): Promise<void> {
    try {
      this.#options.log.auditHead(await this.#options.store.audit.head());
    } catch (error) {
      this.#options.log.fault(error, { during: 'audit' });
    }
  }

  /** Writes what waits, as far as the store takes it, and logs the head. Call it before the store is closed. */
  async stop(): Promise<void> {
    clearInterval(this.#heads);
    await this.#refused.stop();
    clearTimeout(this.#retry);
    await this.#draining;
    await this.#drain();
    clearTimeout(this.#retry);
    if (this.#waiting.length > 0) this.#options.log.auditWaiting('lost', this.#waiting.length);
    await this.noteHead();
  }

  #eventOf(facts: UntimedFacts): NewAuditEvent {
    return toAuditEvent({ ...facts, recordedMs: this.#options.clock.nowMs() });
  }

  async #record(event: NewAuditEvent, room: number): Promise<void> {
    // behind those that wait: trying the store for each would hold up every read
    if (this.#waiting.length === 0) {
      try {
        await this.#options.store.write((tx) => tx.addAudit(event));
        return;
      } catch (error) {
        if (!(error instanceof StoreUnavailable)) throw error;
      }
    }
    if (this.#waiting.length >= room) throw new StoreUnavailable(new Error('too many audit events wait'));
    if (this.#waiting.push(event) === 1) this.#options.log.auditWaiting('begun', 1);
    this.#tryLater();
  }

  #tryLater(): void {
    this.#retry ??= setTimeout(() => {
      this.#retry = undefined;
      this.#draining = this.#drain();
    }, this.#options.retryMs).unref();
  }

  async #drain(): Promise<void> {
    const written = this.#waiting.length;
    try {
      while (this.#waiting.length > 0) {
        const some = this.#waiting.slice(0, EVENTS_A_UNIT);
        await this.#options.store.write(async (tx) => {
          for (const event of some) await tx.addAudit(event);
        });
        this.#waiting.splice(0, some.length);
      }
      if (written > 0) this.#options.log.auditWaiting('over', written);
    } catch (error) {
      if (!(error instanceof StoreUnavailable)) this.#options.log.fault(error, { during: 'audit' });
      this.#tryLater();
    }
  }
}
