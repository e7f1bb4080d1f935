/** The `Retry-After` header of an answer, for whoever sends again. */

/** Beyond this a `Retry-After` is not believed: a wrong clock must not silence a ward for days. */
const LONGEST_RETRY_AFTER_MS = 3_600_000;

/** IMF-fixdate, the one form that RFC 9110 section 5.6.7 lets a sender write. */
const HTTP_DATE =
  /^(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), \d{2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{4} \d{2}:\d{2}:\d{2} GMT$/;

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
