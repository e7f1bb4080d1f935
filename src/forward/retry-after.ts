/**
 * How long to wait before an item is tried again.
 *
 * Full jitter: a random time between nothing and the smaller of the cap and base x 2^n
 * (AWS Architecture Blog, "Exponential Backoff and Jitter", 2015). An EHR's own `Retry-After` goes first.
 */
import { retryAfterMs } from '../retry-after.ts';

const BASE_MS = 1_000;
const CAP_MS = 300_000;

/** Less than this says nothing: sending again at once is what an EHR in need of patience must be spared. */
const SHORTEST_RETRY_AFTER_MS = 1_000;

/**
 * @param failures how often it failed before this failure, from 0
 * @param random a number in [0, 1)
 * @returns milliseconds, below five minutes
 */
export function backoffMs(failures: number, random: () => number): number {
  return Math.floor(random() * Math.min(CAP_MS, BASE_MS * 2 ** Math.min(failures, 20)));
}

/**
 * How long an EHR asks to be left alone, if it does.
 * @returns milliseconds from now, from a second to an hour
 */
export function askedWaitMs(header: string | undefined, nowMs: number): number | undefined {
  const waitMs = retryAfterMs(header, nowMs);
  return waitMs === undefined || waitMs < SHORTEST_RETRY_AFTER_MS ? undefined : waitMs;
}
