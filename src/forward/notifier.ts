/**
 * Tells subscribers of changes: claims the subscriptions that have something to be told, sends each
 * its next events, and notes what was taken. In order and at least once: events have their numbers
 * before anybody is told of them, and nothing is sent behind what was not taken yet. A subscriber
 * that fails keeps nobody waiting but itself, and is never given up.
 */
import { randomUUID } from 'node:crypto';
import { toInstant } from '../core/fhir-time.ts';
import { parseExactJson } from '../core/json.ts';
import { writeNotification } from '../core/notification.ts';
import { channelIn, isAllowedTarget } from '../core/subscription.ts';
import type { ClaimedSubscription, Clock, SubscriptionEvent, SubscriptionStore } from '../ports.ts';
import { StoreUnavailable } from '../ports.ts';
import type { ForwardLog } from './events.ts';
import { askedWaitMs, backoffMs } from './retry-after.ts';
import type { NotificationReply, Subscribers } from './subscriber.ts';
import { WakeSignal } from './wake-signal.ts';

export interface NotifierOptions {
  readonly subscriptions: SubscriptionStore;
  readonly subscribers: Subscribers;
  /** What endpoints must begin with (`STEELYARD_SUBSCRIPTION_TARGETS`). */
  readonly targets: readonly string[];
  /** Our FHIR base. */
  readonly baseUrl: string;
  readonly clock: Clock;
  readonly log: ForwardLog;
  /** In [0, 1), for jitter. */
  readonly random: () => number;
  /** What came of a notification with so many events; 0 for a greeting. Must not throw. */
  readonly told?: (result: 'taken' | 'failed', events: number) => void;
  /** Events in one notification. */
  readonly eventsAtOnce?: number;
  /** Subscribers served at once. */
  readonly parallel?: number;
  /** How long a subscription is ours; longer than a call. */
  readonly leaseMs?: number;
  /** How often an idle notifier looks for what other replicas stored, and for what came due. */
  readonly pollMs?: number;
  /** Milliseconds of a clock that nobody sets. */
  readonly elapsedMs?: () => number;
}

const DEFAULTS = {
  told: () => undefined,
  eventsAtOnce: 50,
  parallel: 4,
  leaseMs: 60_000,
  pollMs: 1_000,
  elapsedMs: () => performance.now(),
};

/** So many failures in a row, or for so long, and the subscription says `error` (rule of thumb). */
const MOST_FAILURES = 5;
const LONGEST_FAILING_MS = 600_000;

export class Notifier {
  readonly #options: Required<NotifierOptions>;
  readonly #wake = new WakeSignal();
  readonly #abort = new AbortController();
  readonly #inHand = new Map<number, Promise<void>>();
  #isStopping = false;
  #loop: Promise<void> | undefined;

  /** Throws RangeError when a lease could end while its call is still under way. */
  constructor(options: NotifierOptions) {
    this.#options = { ...DEFAULTS, ...options };
    if (this.#options.leaseMs <= 2 * options.subscribers.timeoutMs) throw new RangeError('the lease must be longer than two timeouts');
  }

  start(): void {
    this.#loop ??= this.#run();
  }

  /** There may be something new to tell. */
  wake(): void {
    this.#wake.raise();
  }

  /** Takes nothing new, lets calls under way finish for at most `boundMs`, then cuts them off. */
  async stop(boundMs = 5_000): Promise<void> {
    this.#isStopping = true;
    this.#wake.raise();
    const cutOff = setTimeout(() => this.#abort.abort(), boundMs);
    await this.#loop;
    await Promise.all(this.#inHand.values());
    clearTimeout(cutOff);
  }

  async #run(): Promise<void> {
    while (!this.#isStopping) {
      const begun = await this.#beginDue();
      if (begun === 0 && !this.#isStopping) await this.#wake.wait(this.#options.pollMs);
    }
  }

  async #beginDue(): Promise<number> {
    const { subscriptions, clock, leaseMs, parallel, log } = this.#options;
    const room = parallel - this.#inHand.size;
    if (room <= 0) return 0;
    try {
      const claimed = await subscriptions.claim(clock.nowMs(), leaseMs, room, [...this.#inHand.keys()]);
      for (const one of claimed) this.#begin(one);
      return claimed.length;
    } catch (error) {
      log.error({ error: nameOf(error) }, 'subscriptions cannot be read now');
      return 0;
    }
  }

  #begin(claimed: ClaimedSubscription): void {
    const { log } = this.#options;
    const serving = this.#serve(claimed)
      .catch((error: unknown) => {
        // the lease runs out and the subscription comes again
        log.error({ subscription: claimed.number, error: nameOf(error) }, 'a subscription could not be worked on');
      })
      .finally(() => {
        this.#inHand.delete(claimed.number);
        this.#wake.raise();
      });
    this.#inHand.set(claimed.number, serving);
  }

  /** Sends one notification after the other until there is nothing more, one fails, or the lease comes to its end. */
  async #serve(claimed: ClaimedSubscription): Promise<void> {
    const { subscriptions, clock, eventsAtOnce, told } = this.#options;
    const mayCall = this.#withinLease();
    for (let { isGreeted, failures, failingSinceMs } = claimed; ;) {
      const events = isGreeted ? await subscriptions.nextEvents(claimed, eventsAtOnce, clock.nowMs()) : [];
      // the end may come while the lease lasts
      const hasEnded = claimed.endsMs !== undefined && claimed.endsMs <= clock.nowMs();
      const isDone = hasEnded || (isGreeted && events.length === 0);
      if (isDone || this.#isStopping || !mayCall()) {
        await subscriptions.release(claimed);
        return;
      }
      const reply = await this.#notify(claimed, isGreeted, events);
      told(reply.isTaken ? 'taken' : 'failed', events.length);
      if (!reply.isTaken) {
        await this.#failed({ ...claimed, isGreeted, failures, ...(failingSinceMs !== undefined && { failingSinceMs }) }, reply);
        return;
      }
      const upTo = events.at(-1)?.number ?? claimed.delivered;
      if (!(await subscriptions.markDelivered(claimed, upTo, clock.nowMs()))) return;
      [isGreeted, failures, failingSinceMs] = [true, 0, undefined];
    }
  }

  /** True while one more call ends before the lease does. Time is what passed on either clock: one may be set, the other may sleep. */
  #withinLease(): () => boolean {
    const { clock, elapsedMs, leaseMs, subscribers } = this.#options;
    const begun = { clockMs: clock.nowMs(), elapsedMs: elapsedMs() };
    return () => Math.max(clock.nowMs() - begun.clockMs, elapsedMs() - begun.elapsedMs) + subscribers.timeoutMs < leaseMs;
  }

  async #notify(claimed: ClaimedSubscription, isGreeted: boolean, events: readonly SubscriptionEvent[]): Promise<NotificationReply> {
    const { subscribers, targets, baseUrl, clock } = this.#options;
    const parsed = parseExactJson(claimed.text);
    if (!parsed.ok) throw new Error('a stored Subscription cannot be read');
    const { endpoint, contentKind } = channelIn(parsed.value);
    // the list may have changed since it was taken
    if (!isAllowedTarget(endpoint, targets)) return { isTaken: false, reason: 'is not among those that the operator allows' };
    const last = events.at(-1)?.number ?? claimed.delivered;
    const text = writeNotification({
      baseUrl,
      subscriptionId: claimed.id,
      status: isGreeted ? 'active' : 'requested',
      kind: isGreeted ? 'event-notification' : 'handshake',
      eventsSinceStart: last,
      events,
      content: contentKind,
      at: toInstant(clock.nowMs()),
      uuid: randomUUID(),
    });
    return subscribers.notify(endpoint, text, `subscription-${claimed.number}-${last}`, this.#abort.signal);
  }

  async #failed(
    claimed: ClaimedSubscription,
    { reason, status, retryAfter }: Extract<NotificationReply, { readonly isTaken: false }>,
  ): Promise<void> {
    const { subscriptions, clock, random, log } = this.#options;
    const nowMs = clock.nowMs();
    // cut off by a stop: nothing is known of the subscriber
    if (this.#abort.signal.aborted) {
      await subscriptions.release(claimed);
      return;
    }
    const { number, failures, failingSinceMs = nowMs, isGreeted } = claimed;
    const isError = !isGreeted || failures + 1 >= MOST_FAILURES || nowMs - failingSinceMs >= LONGEST_FAILING_MS;
    const waitMs = askedWaitMs(retryAfter, nowMs) ?? backoffMs(failures, random);
    await subscriptions.markFailed(claimed, { nowMs, dueMs: nowMs + waitMs, isError, reason: `The endpoint ${reason}.` });
    log.warn({ subscription: number, tries: failures + 1, ...(status !== undefined && { status }) }, 'a notification was not taken');
  }
}

function nameOf(error: unknown): string {
  if (error instanceof StoreUnavailable) return error.code;
  return error instanceof Error ? error.name : 'unknown';
}
