/**
 * How long to wait before an item is tried again.
 *
 * Full jitter: a random time between nothing and the smaller of the cap and base x 2^n
 * (AWS Architecture Blog, "Exponential Backoff and Jitter", 2015). An EHR's own `Retry-After` goes first.
 */

const BASE_MS = 1_000;
const CAP_MS = 300_000;

/** Beyond this a `Retry-After` is not believed: a wrong clock must not silence a ward for days. */
const LONGEST_RETRY_AFTER_MS = 3_600_000;

/** Less than this says nothing: sending again at once is what an EHR in need of patience must be spared. */
const SHORTEST_RETRY_AFTER_MS = 1_000;

/** IMF-fixdate, the one form that RFC 9110 section 5.6.7 lets a sender write. */
const HTTP_DATE =
  /^(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), \d{2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{4} \d{2}:\d{2}:\d{2} GMT$/;

/**
 * @param failures how often it failed before this failure, from 0
 * @param random a number in [0, 1)
 * @returns milliseconds, below five minutes
 */
export function backoffMs(failures: number, random: () => number): number {
  return Math.floor(random() * Math.min(CAP_MS, BASE_MS * 2 ** Math.min(failures, 20)));
}

/**
 * Reads a `Retry-After` header: seconds or a date (RFC 9110 section 10.2.3).
 * @returns milliseconds from now, at most an hour; undefined when absent or neither form
 */
export function retryAfterMs(header: string | undefined, nowMs: number): number | undefined {
  const text = header?.trim() ?? '';
  let waitMs: number;
  if (/^\d+$/.test(text)) waitMs = Number(text) * 1_000;
  else if (HTTP_DATE.test(text)) waitMs = Date.parse(text) - nowMs;
  else return undefined;
  return Number.isNaN(waitMs) ? undefined : Math.min(LONGEST_RETRY_AFTER_MS, Math.max(0, waitMs));
}

/**
 * How long an EHR asks to be left alone, if it does.
 * @returns milliseconds from now, from a second to an hour
 */
export function askedWaitMs(header: string | undefined, nowMs: number): number | undefined {
  const waitMs = retryAfterMs(header, nowMs);
  return waitMs === undefined || waitMs < SHORTEST_RETRY_AFTER_MS ? undefined : waitMs;
}
