/**
 * Whether the EHR as a whole can be called just now.
 *
 * While it cannot, nothing but a single item at a time is tried, so that an outage costs neither
 * the EHR nor the log a storm. Holds numbers only; a breaker with its own rules would go here.
 */
import type { Setback, SetbackKind } from './classify.ts';
import { backoffMs, retryAfterMs } from './retry-after.ts';

export class Destination {
  readonly #random: () => number;
  #failures = 0;
  #pausedUntilMs = 0;
  readonly #seen = new Set<SetbackKind>();

  constructor(random: () => number) {
    this.#random = random;
  }

  /** True from the first failure of the destination until something gets through. */
  get isFailing(): boolean {
    return this.#failures > 0;
  }

  get pausedUntilMs(): number {
    return this.#pausedUntilMs;
  }

  isPaused(nowMs: number): boolean {
    return nowMs < this.#pausedUntilMs;
  }

  /**
   * Pauses when the setback says something about the EHR and not about one item.
   * Returns true when it is the first of its kind since something last got through.
   */
  note(setback: Setback, nowMs: number): boolean {
    if (!concernsDestination(setback)) return false;
    const waitMs = retryAfterMs(setback.retryAfter, nowMs) ?? (this.isPaused(nowMs) ? 0 : backoffMs(this.#failures, this.#random));
    if (!this.isPaused(nowMs)) this.#failures += 1; // calls that were under way together are one failure
    this.#pausedUntilMs = Math.max(this.#pausedUntilMs, nowMs + waitMs);
    const isFirst = !this.#seen.has(setback.kind);
    this.#seen.add(setback.kind);
    return isFirst;
  }

  recovered(): void {
    this.#failures = 0;
    this.#pausedUntilMs = 0;
    this.#seen.clear();
  }
}

function concernsDestination({ kind, status }: Setback): boolean {
  return kind === 'destination' || kind === 'unsent' || (kind === 'transient' && (status === 429 || status === 503));
}
