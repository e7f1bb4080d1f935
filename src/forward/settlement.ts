/**
 * Writes down what came of an attempt: in the outbox, for the breaker, in the log. One place, so that
 * they never tell different stories.
 */
import type { Clock, OutboxItem, OutboxStore } from '../ports.ts';
import type { Breaker } from './breaker.ts';
import type { Outcome, Sent, Setback } from './classify.ts';
import { ConflictLimit } from './conflict-limit.ts';
import type { Ehr } from './ehr-client.ts';
import type { ForwardEvents, ForwardLog } from './events.ts';
import { ItemTroubles } from './item-troubles.ts';
import { named } from './request-id.ts';
import { alteredNote, type ReadBack } from './read-back.ts';
import { askedWaitMs, backoffMs } from './retry-after.ts';

export interface SettlementOptions {
  readonly outbox: OutboxStore;
  readonly clock: Clock;
  readonly ehr: Pick<Ehr, 'timeoutMs'>;
  readonly random: () => number;
  readonly log: ForwardLog;
  readonly events: ForwardEvents;
  readonly breaker: Breaker;
  readonly readBack: ReadBack;
}

/** Too Many Requests (RFC 6585 section 4) is never about one item. */
const TOO_MANY = 429;

/** More failing items than this are an EHR that is down, and then any item will do. */
const MOST_AVOIDED = 100;

export class Settlement {
  readonly #options: SettlementOptions;
  readonly #conflictLimit = new ConflictLimit();
  readonly #troubles = new ItemTroubles();

  constructor(options: SettlementOptions) {
    this.#options = options;
  }

  /** Items that failed lately: whether the EHR is well is better asked with others. */
  get failing(): readonly number[] {
    return this.#troubles.lately(MOST_AVOIDED);
  }

  /** Throws what the store throws; the breaker has been told by then. */
  async settle(item: OutboxItem, outcome: Outcome, isLookedUp: boolean): Promise<void> {
    const judged = this.#conflictLimit.judge(item.number, outcome, isLookedUp);
    if (judged.kind === 'let-go') await this.#letGo(item);
    else if (judged.kind === 'sent') await this.#sent(item, judged);
    else if (judged.kind === 'permanent') await this.#park(item, judged);
    else await this.#postpone(item, judged);
  }

  async #sent(item: OutboxItem, { copies, altered }: Sent): Promise<void> {
    const { outbox, log, events, readBack } = this.#options;
    this.#worked(item);
    const note = altered === undefined ? {} : { note: alteredNote(altered) };
    if ((await outbox.markSent(item.number, copies, { tries: item.tries, ...note })) === 'late') this.#late(item);
    log.debug(named(item), 'forwarded');
    events.sent?.(item);
    if (altered === undefined) readBack.note(item, copies);
    else {
      log.error({ ...named(item), elements: altered }, 'the EHR keeps something else than was sent');
      events.altered?.(item, altered);
    }
  }

  async #park(item: OutboxItem, setback: Setback): Promise<void> {
    const { outbox, log, events, breaker } = this.#options;
    // it answered, so the way is open; else the item is one that our own store cannot give
    if (setback.status === undefined) breaker.undecided();
    else this.#worked(item);
    if (!(await outbox.park(item.number, setback.reason, item.tries))) {
      this.#late(item);
      return;
    }
    log.warn(fieldsOf(item, setback), 'parked: the EHR will not take this item as it is');
    events.parked?.(item);
  }

  async #postpone(item: OutboxItem, setback: Setback): Promise<void> {
    const { outbox, clock, ehr, random, log, events, breaker } = this.#options;
    const nowMs = clock.nowMs();
    const { failures, isItsOwn } = this.#troubles.failed(item.number);
    const isNews = this.#tellBreaker(item, setback, isItsOwn, nowMs);
    // an EHR that may still be at work, or has not indexed yet, would be asked too soon
    const quietMs = setback.kind === 'unclear' ? ehr.timeoutMs : 0;
    const waitMs = askedWaitMs(setback.retryAfter, nowMs) ?? quietMs + backoffMs(failures - 1, random);
    // a pause of the breaker comes first, so that the next probe is another item's turn
    const extraMs = breaker.isPaused(nowMs) && failures > 1 ? backoffMs(failures - 1, random) : 0;
    const pausedUntilMs = breaker.isPaused(nowMs) ? breaker.pausedUntilMs + extraMs : 0;
    if (!(await outbox.postpone(item.number, Math.max(nowMs + waitMs, pausedUntilMs), setback.reason, item.tries))) this.#late(item);
    if (isNews && setback.kind === 'destination')
      log.error(fieldsOf(item, setback), 'the EHR cannot be used: nothing is parked, all waits');
    else log[isNews ? 'warn' : 'debug'](fieldsOf(item, setback), isNews ? 'the EHR fails: one item at a time is tried' : 'postponed');
    events.postponed?.(item, setback.kind);
  }

  /** Returns true when people should be told. */
  #tellBreaker(item: OutboxItem, setback: Setback, isItsOwn: boolean, nowMs: number): boolean {
    const { breaker } = this.#options;
    if (setback.kind === 'conflict') this.#breakerWorked(item);
    else if (isItsOwn && setback.status !== TOO_MANY) breaker.undecided();
    else return breaker.failed(item.number, setback, nowMs);
    return false;
  }

  /** An item that was claimed and not begun. Throws what the store throws. */
  async giveBack(item: OutboxItem): Promise<void> {
    const { outbox, clock, breaker, log } = this.#options;
    const dueMs = Math.max(clock.nowMs(), breaker.pausedUntilMs);
    if (!(await outbox.postpone(item.number, dueMs, 'the EHR is left alone for a while', item.tries))) this.#late(item);
    else log.debug(named(item), 'given back');
  }

  async #letGo(item: OutboxItem): Promise<void> {
    const { outbox, clock, random, breaker, log } = this.#options;
    if (breaker.isPaused(clock.nowMs())) {
      await this.giveBack(item);
      return;
    }
    breaker.undecided();
    const dueMs = clock.nowMs() + backoffMs(this.#troubles.failed(item.number).failures - 1, random);
    const isOurs = await outbox.postpone(
      item.number,
      dueMs,
      'there was too little time left to send it after it was looked up',
      item.tries,
    );
    if (!isOurs) this.#late(item);
    else log.debug(named(item), 'let go');
  }

  #worked(item: OutboxItem): void {
    this.#troubles.settled(item.number);
    this.#breakerWorked(item);
  }

  #breakerWorked(item: OutboxItem): void {
    const { breaker, log } = this.#options;
    if (breaker.worked()) log.info(named(item), 'the EHR takes readings again');
  }

  #late(item: OutboxItem): void {
    const { log, events } = this.#options;
    log.warn(named(item), 'late: another worker has claimed the item since');
    events.late?.(item);
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
