/**
 * Empties the outbox towards the EHR: claims what is due, tries a few persons at once, and writes
 * down what came of it. At least once by leases, once in effect by look-ups and conditional
 * requests; the order within a person is the store's: only a person's first waiting item is due.
 */
import { setTimeout as passing } from 'node:timers/promises';
import type { Clock, OutboxItem, OutboxStore, StoreReader } from '../ports.ts';
import { NO_TRACER, type Tracer } from '../tracer.ts';
import { Breaker } from './breaker.ts';
import { CALLS_PER_ATTEMPT, deliver } from './delivery.ts';
import type { Ehr } from './ehr-client.ts';
import type { ForwardEvents, ForwardLog } from './events.ts';
import { ReadBack } from './read-back.ts';
import { named, requestIdOf } from './request-id.ts';
import { Settlement } from './settlement.ts';
import { WakeSignal } from './wake-signal.ts';

export interface ForwardWorkerOptions {
  readonly outbox: OutboxStore;
  readonly read: StoreReader;
  readonly ehr: Ehr;
  readonly clock: Clock;
  readonly log: ForwardLog;
  /** In [0, 1), for jitter. */
  readonly random: () => number;
  readonly events?: ForwardEvents;
  /** Persons served at once. */
  readonly parallel?: number;
  /** How long an item is ours; longer than all calls of one attempt together. */
  readonly leaseMs?: number;
  /** How often an idle worker looks for items that came due. */
  readonly pollMs?: number;
  /** Ask the EHR before every send: for a store that was restored from a backup. */
  readonly alwaysLookUp?: boolean;
  /** Calls are made as part of what brought the reading; no call is traced when absent. */
  readonly tracer?: Tracer;
  /**
   * Workers of other processes claim from the same outbox: a call of one whose lease ran out may be
   * under way still, and is waited for.
   */
  readonly isShared?: boolean;
  /** Share of the sent Observations that are read at the EHR afterwards, 0 to 100. */
  readonly readBackPercent?: number;
  /** Milliseconds of a clock that nobody sets. */
  readonly elapsedMs?: () => number;
  /** Resolves after so many milliseconds, or when told to stop. */
  readonly pause?: (ms: number, stop: AbortSignal) => Promise<void>;
}

export class ForwardWorker {
  readonly #options: Required<Omit<ForwardWorkerOptions, 'events'>> & { readonly events: ForwardEvents };
  readonly #breaker: Breaker;
  readonly #readBack: ReadBack;
  readonly #settlement: Settlement;
  readonly #wake = new WakeSignal();
  readonly #abort = new AbortController();
  readonly #inFlight = new Map<number, Promise<void>>();
  #isStopping = false;
  #loop: Promise<void> | undefined;

  /** Throws RangeError when a lease could end while its attempt is still under way. */
  constructor(options: ForwardWorkerOptions) {
    const events = options.events ?? {};
    this.#options = { ...DEFAULTS, ...options, events };
    if (this.#options.leaseMs <= CALLS_PER_ATTEMPT * options.ehr.timeoutMs) {
      throw new RangeError(`the lease must be longer than ${CALLS_PER_ATTEMPT} EHR timeouts`);
    }
    const { random, parallel, readBackPercent } = this.#options;
    this.#breaker = new Breaker({ random, most: parallel, changed: (state) => events.breaker?.(state) });
    this.#readBack = new ReadBack({ ...this.#options, percent: readBackPercent, mayAsk: () => this.#breaker.isClosed });
    this.#settlement = new Settlement({ ...this.#options, breaker: this.#breaker, readBack: this.#readBack });
  }

  start(): void {
    if (this.#loop !== undefined) return;
    this.#loop = this.#run();
  }

  /** There may be something new in the outbox. */
  wake(): void {
    this.#wake.raise();
  }

  /** Takes nothing new, lets what is under way finish for at most `boundMs`, then cuts it off. */
  async stop(boundMs = 5_000): Promise<void> {
    this.#isStopping = true;
    this.#wake.raise();
    const cutOff = setTimeout(() => this.#abort.abort(), boundMs);
    await this.#loop;
    await Promise.all([...this.#inFlight.values(), this.#readBack.stop()]);
    clearTimeout(cutOff);
  }

  async #run(): Promise<void> {
    while (!this.#isStopping) {
      const begun = await this.#beginDue();
      if (begun === 0 && !this.#isStopping) await this.#wake.wait(this.#options.pollMs);
    }
  }

  /** Begins as many due items as there is room for; returns how many. */
  async #beginDue(): Promise<number> {
    const { clock, log } = this.#options;
    const nowMs = clock.nowMs();
    const room = this.#room(nowMs);
    if (room === 0) return 0;
    try {
      const items = await this.#claim(nowMs, room);
      // while they were claimed the EHR may have asked for a pause, which a new attempt would take for over
      const begun = items.slice(0, this.#room(clock.nowMs()));
      for (const item of begun) this.#begin(item);
      for (const item of items.slice(begun.length)) await this.#settlement.giveBack(item);
      return begun.length;
    } catch (error) {
      log.error({ error: nameOf(error) }, 'the outbox cannot be read now');
      return 0;
    }
  }

  #room(nowMs: number): number {
    return this.#breaker.room(this.#inFlight.size, nowMs);
  }

  /**
   * Never what is in hand: a lease that ran out on a clock which was set must not start a second
   * attempt beside the first. A probe is made with an item that did not fail lately, if there is one,
   * so that one which always fails does not speak for all.
   */
  async #claim(nowMs: number, room: number): Promise<readonly OutboxItem[]> {
    const { outbox, leaseMs } = this.#options;
    const inHand = [...this.#inFlight.keys()];
    const { failing } = this.#settlement;
    if (!this.#breaker.isClosed && failing.length > 0) {
      const fresh = await outbox.claim(nowMs, leaseMs, room, [...inHand, ...failing]);
      if (fresh.length > 0) return fresh;
    }
    return outbox.claim(nowMs, leaseMs, room, inHand);
  }

  #begin(item: OutboxItem): void {
    this.#breaker.begun();
    const attempt = this.#attempt(item).finally(() => {
      this.#inFlight.delete(item.number);
      this.#wake.raise();
    });
    this.#inFlight.set(item.number, attempt);
  }

  async #attempt(item: OutboxItem): Promise<void> {
    const { log, alwaysLookUp, isShared, ehr, pause, tracer } = this.#options;
    const maySend = this.#mayCall(item);
    // a try before this one, here or in a process that died, may have got through
    const lookUpFirst = alwaysLookUp || item.tries > 1;
    const stop = this.#abort.signal;
    try {
      // whoever had it sends nothing from now on, and what it was sending is over after a timeout
      if (isShared && item.isLapsed) await pause(ehr.timeoutMs, stop);
      const attempt = { lookUpFirst, requestId: requestIdOf(item), stop, maySend };
      const outcome = await tracer.under(item.traceParent, () => deliver(item, this.#options, attempt));
      await this.#settlement.settle(item, outcome, lookUpFirst);
    } catch (error) {
      this.#breaker.undecided();
      // the lease runs out and the item comes again
      log.error({ ...named(item), error: nameOf(error) }, 'an outbox item could not be worked on');
    }
  }

  /**
   * Asks whether the EHR may be called, and the item is still ours and will be while one more call
   * lasts. Time is what passed on
   * either clock, since the one may have been set and the other may not count while a machine sleeps.
   */
  #mayCall(item: OutboxItem): () => Promise<boolean> {
    const { clock, elapsedMs, leaseMs, ehr, outbox } = this.#options;
    const begun = { clockMs: clock.nowMs(), elapsedMs: elapsedMs() };
    return async () => {
      const passedMs = Math.max(clock.nowMs() - begun.clockMs, elapsedMs() - begun.elapsedMs);
      const isOurs = passedMs + ehr.timeoutMs < leaseMs && (await outbox.holds(item.number, item.tries));
      return isOurs && !this.#breaker.isPaused(clock.nowMs());
    };
  }
}

const DEFAULTS = {
  parallel: 4,
  leaseMs: 60_000,
  pollMs: 1_000,
  alwaysLookUp: false,
  tracer: NO_TRACER,
  isShared: false,
  readBackPercent: 0,
  elapsedMs: () => performance.now(),
  // a stop ends the pause; what comes after it ends by itself
  pause: (ms: number, stop: AbortSignal) => passing(ms, undefined, { signal: stop }).catch(() => undefined),
};

function nameOf(error: unknown): string {
  if (error instanceof Error && 'code' in error && typeof error.code === 'string') return error.code;
  return error instanceof Error ? error.name : 'unknown';
}
