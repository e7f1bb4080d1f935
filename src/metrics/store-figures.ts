/**
 * What the store says of itself whenever somebody collects: worklists and their ages. A store that
 * is down, or takes its time, must not hide the figures that say so.
 */
import { HELD_TAG, UNASSIGNED_TAG } from '../core/terminology.ts';
import type { Clock, Store } from '../ports.ts';
import type { Instruments } from './instruments.ts';

/** A monitor gives up after 10 s by default (Prometheus documentation, `scrape_timeout`). */
const LONGEST_READ_MS = 5_000;

const WORKLIST = [
  'steelyard_held_readings',
  'steelyard_held_oldest_age_seconds',
  'steelyard_unassigned_readings',
  'steelyard_outbox_waiting',
  'steelyard_outbox_parked',
  'steelyard_outbox_oldest_age_seconds',
  'steelyard_subscription_events_waiting',
  'steelyard_subscription_oldest_age_seconds',
] as const;

type Tag = typeof HELD_TAG | typeof UNASSIGNED_TAG;

/** Reads the store's figures; never throws. */
export async function readStoreFigures(store: Store, clock: Clock, instruments: Instruments, longestMs = LONGEST_READ_MS): Promise<void> {
  instruments.gauge('steelyard_store_units_waiting').set(store.waitingUnits());
  const up = instruments.gauge('steelyard_store_up');
  const countTagged = ({ system, code }: Tag): Promise<number> =>
    store.read.countObservations({ includeHeld: true, tags: [{ system, value: code }] });
  try {
    const [{ waiting, parked, oldestWaitingAt }, held, unassigned, heldSince, subscriptions] = await within(
      longestMs,
      Promise.all([
        store.outbox.counts(),
        countTagged(HELD_TAG),
        countTagged(UNASSIGNED_TAG),
        store.read.heldSince(),
        store.subscriptions.figures(clock.nowMs()),
      ]),
    );
    const ageOf = (instant: string | undefined): number =>
      instant === undefined ? 0 : Math.max(0, clock.nowMs() - Date.parse(instant)) / 1000;
    const figures = [
      held,
      ageOf(heldSince),
      unassigned,
      waiting,
      parked,
      ageOf(oldestWaitingAt),
      subscriptions.behind,
      ageOf(subscriptions.oldestAt),
    ];
    for (const [at, name] of WORKLIST.entries()) instruments.gauge(name).set(figures[at] ?? 0);
    for (const [status, count] of Object.entries(subscriptions.byState))
      instruments.gauge('steelyard_subscriptions').set({ status }, count);
    up.set(1);
  } catch {
    // what was true a while ago is not told as if it were true now
    for (const name of WORKLIST) instruments.gauge(name).remove();
    instruments.gauge('steelyard_subscriptions').reset();
    up.set(0);
  }
}

async function within<Result>(ms: number, work: Promise<Result>): Promise<Result> {
  let timer: NodeJS.Timeout | undefined;
  const tooLate = new Promise<never>((_, reject) => {
    timer = setTimeout(() => reject(new Error('the store did not answer in time')), ms);
  });
  try {
    return await Promise.race([work, tooLate]);
  } finally {
    clearTimeout(timer);
  }
}
