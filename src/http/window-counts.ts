/**
 * Counts by key over fixed windows, in bounded memory: a store for express-rate-limit, and for
 * whatever else is counted by the minute. Not shared between processes.
 */
import type { ClientRateLimitInfo, Store } from 'express-rate-limit';
import type { Clock } from '../ports.ts';

/** Keys that are counted one by one; a count takes about 200 bytes. */
export const MOST_KEYS = 10_000;
/** What all further keys are counted under together, until windows have ended. */
const FURTHER_KEYS = 'further keys';

const SYSTEM_CLOCK: Clock = { nowMs: () => Date.now() };

/** `totalHits` so far in a window that ends at `resetTime`. */
interface Count extends ClientRateLimitInfo {
  readonly resetTime: Date;
}

export interface WindowOptions {
  readonly windowMs: number;
  /** Keys that always have a count of their own, since there cannot be any number of them. */
  readonly isKnown?: (key: string) => boolean;
  readonly clock?: Clock;
}

export class WindowCounts implements Store {
  /** Tells express-rate-limit that no other store counts the same keys. */
  readonly localKeys = true;
  readonly #counts = new Map<string, Count>();
  readonly #options: WindowOptions;
  readonly #clock: Clock;
  #sweptAtMs: number;

  constructor(options: WindowOptions) {
    this.#options = options;
    this.#clock = options.clock ?? SYSTEM_CLOCK;
    this.#sweptAtMs = this.#clock.nowMs();
  }

  /** Number of keys with a count of their own. */
  get size(): number {
    return this.#counts.size;
  }

  /** What is counted in the window that is open for this key; undefined when none is. */
  get(key: string): Count | undefined {
    return this.own(this.#countedAs(key));
  }

  /** The same, but undefined for a key that is counted together with others. */
  own(key: string): Count | undefined {
    const count = this.#counts.get(key);
    return count && count.resetTime.getTime() > this.#clock.nowMs() ? count : undefined;
  }

  increment(key: string): ClientRateLimitInfo {
    const nowMs = this.#clock.nowMs();
    if (nowMs - this.#sweptAtMs >= this.#options.windowMs) this.#sweep(nowMs);
    const count = this.get(key) ?? { totalHits: 0, resetTime: new Date(nowMs + this.#options.windowMs) };
    count.totalHits += 1;
    this.#counts.set(this.#countedAs(key), count);
    return count;
  }

  decrement(key: string): void {
    const count = this.get(key);
    if (count && count.totalHits > 0) count.totalHits -= 1;
  }

  resetKey(key: string): void {
    this.#counts.delete(key);
  }

  #countedAs(key: string): string {
    const { isKnown } = this.#options;
    return this.#counts.has(key) || this.#counts.size < MOST_KEYS || isKnown?.(key) === true ? key : FURTHER_KEYS;
  }

  #sweep(nowMs: number): void {
    this.#sweptAtMs = nowMs;
    for (const [key, { resetTime }] of this.#counts) if (resetTime.getTime() <= nowMs) this.#counts.delete(key);
  }
}
