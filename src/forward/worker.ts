/**
 * Empties the outbox towards the EHR: claims what is due, tries a few persons at once, and writes
 * down what came of it. At least once by leases, once in effect by look-ups and conditional
 * requests; the order within a person is the store's: only a person's first waiting item is due.
 */
import type { Clock, OutboxItem, OutboxStore, StoreReader } from '../ports.ts';
import { NO_TRACER, type Tracer } from '../tracer.ts';
import type { Outcome, Setback } from './classify.ts';
import { ConflictLimit } from './conflict-limit.ts';
import { CALLS_PER_ATTEMPT, deliver } from './delivery.ts';
import { Destination } from './destination.ts';
import type { Ehr } from './ehr-client.ts';
import type { ForwardEvents, ForwardLog } from './events.ts';
import { requestIdOf } from './request-id.ts';
import { backoffMs, retryAfterMs } from './retry-after.ts';
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
}

export class ForwardWorker {
  readonly #options: Required<Omit<ForwardWorkerOptions, 'events'>> & { readonly events: ForwardEvents };
  readonly #destination: Destination;
  readonly #conflictLimit = new ConflictLimit();
  readonly #wake = new WakeSignal();
  readonly #abort = new AbortController();
  readonly #inFlight = new Map<number, Promise<void>>();
  #isStopping = false;
  #loop: Promise<void> | undefined;

  /** Throws RangeError when a lease could end while its attempt is still under way. */
  constructor(options: ForwardWorkerOptions) {
    this.#options = { parallel: 4, leaseMs: 60_000, pollMs: 1_000, alwaysLookUp: false, tracer: NO_TRACER, events: {}, ...options };
    this.#destination = new Destination(options.random);
    if (this.#options.leaseMs <= CALLS_PER_ATTEMPT * options.ehr.timeoutMs) {
      throw new RangeError(`the lease must be longer than ${CALLS_PER_ATTEMPT} EHR timeouts`);
    }
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
    await Promise.all(this.#inFlight.values());
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
    const { outbox, clock, leaseMs, parallel, log } = this.#options;
    const nowMs = clock.nowMs();
    const room = (this.#destination.isFailing ? 1 : parallel) - this.#inFlight.size;
    if (room <= 0 || this.#destination.isPaused(nowMs)) return 0;
    try {
      const items = await outbox.claim(nowMs, leaseMs, room);
      // a lease that ran out on a stopped clock must not start a second attempt beside the first
      const fresh = items.filter(({ number }) => !this.#inFlight.has(number));
      for (const item of fresh) this.#begin(item);
      return fresh.length;
    } catch (error) {
      log.error({ error: nameOf(error) }, 'the outbox cannot be read now');
      return 0;
    }
  }

  #begin(item: OutboxItem): void {
    const attempt = this.#attempt(item).finally(() => {
      this.#inFlight.delete(item.number);
      this.#wake.raise();
    });
    this.#inFlight.set(item.number, attempt);
  }

  async #attempt(item: OutboxItem): Promise<void> {
    const { log, alwaysLookUp, tracer } = this.#options;
    // a try before this one, here or in a process that died, may have got through
    const lookUpFirst = alwaysLookUp || item.tries > 1;
    try {
      const requestId = requestIdOf(item);
      const attempt = { lookUpFirst, requestId, stop: this.#abort.signal };
      const outcome = await tracer.under(item.traceParent, () => deliver(item, this.#options, attempt));
      await this.#settle(item, this.#conflictLimit.judge(item.number, outcome, lookUpFirst));
    } catch (error) {
      // the lease runs out and the item comes again
      log.error({ ...named(item), error: nameOf(error) }, 'an outbox item could not be worked on');
    }
  }

  async #settle(item: OutboxItem, outcome: Outcome): Promise<void> {
    const { outbox, log, events } = this.#options;
    if (outcome.kind === 'sent') {
      await outbox.markSent(item.number, outcome.copies);
      if (this.#destination.isFailing) log.info({ item: item.number }, 'the EHR takes readings again');
      this.#recovered();
      log.debug(named(item), 'forwarded');
      events.sent?.(item);
    } else if (outcome.kind === 'permanent') {
      await outbox.park(item.number, outcome.reason);
      if (outcome.status !== undefined) this.#recovered(); // it answered: the way is open
      log.warn(fieldsOf(item, outcome), 'parked: the EHR will not take this item as it is');
      events.parked?.(item);
    } else {
      await this.#postpone(item, outcome);
    }
  }

  #recovered(): void {
    this.#destination.recovered();
    this.#options.events.breaker?.('closed');
  }

  async #postpone(item: OutboxItem, setback: Setback): Promise<void> {
    const { outbox, clock, ehr, random, log, events } = this.#options;
    const nowMs = clock.nowMs();
    const isNews = this.#destination.note(setback, nowMs);
    if (isNews) events.breaker?.('open');
    // an EHR that gave no answer may still be at work: asking too soon would find nothing
    const quietMs = setback.kind === 'unclear' && setback.status === undefined ? ehr.timeoutMs : 0;
    const waitMs = retryAfterMs(setback.retryAfter, nowMs) ?? quietMs + backoffMs(item.tries - 1, random);
    // a pause of the destination comes first, so that the next probe is another item's turn
    const extraMs = this.#destination.isPaused(nowMs) && item.tries > 1 ? backoffMs(item.tries - 1, random) : 0;
    await outbox.postpone(item.number, Math.max(nowMs + waitMs, this.#destination.pausedUntilMs + extraMs), setback.reason);
    if (isNews && setback.kind === 'destination')
      log.error(fieldsOf(item, setback), 'the EHR cannot be used: nothing is parked, all waits');
    else log[isNews ? 'warn' : 'debug'](fieldsOf(item, setback), 'postponed');
    events.postponed?.(item, setback.kind);
  }
}

function fieldsOf(item: OutboxItem, { kind, status, issueCodes }: Setback) {
  return {
    ...named(item),
    kind,
    ...(status === undefined ? {} : { status }),
    ...(issueCodes === undefined ? {} : { issueCodes }),
  };
}

function named({ number, tries, requestId }: OutboxItem) {
  return { item: number, tries, ...(requestId !== undefined && { requestId }) };
}

function nameOf(error: unknown): string {
  if (error instanceof Error && 'code' in error && typeof error.code === 'string') return error.code;
  return error instanceof Error ? error.name : 'unknown';
}
