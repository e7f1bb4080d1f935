/**
 * Whether the EHR as a whole can be called just now, and by how many at once.
 *
 * Closed: up to `most` at once. Open: nobody, for a while with jitter or for as long as the EHR asks;
 * then half-open: a single probe. What gets through closes it, and after that come 1, 2, 4 … at once,
 * so that an EHR which has just got up is not knocked over again (the circuit breaker of M. Nygard,
 * "Release It!", from memory). No I/O, no clock of its own.
 */
import { LONGEST_WAIT_MS } from '../ports.ts';
import type { Setback, SetbackKind } from './classify.ts';
import { askedWaitMs, backoffMs } from './retry-after.ts';

export type BreakerState = 'open' | 'half-open' | 'closed';

/** So many items in a row without an answer of use, and it is the EHR and not one of them (rule of thumb). */
const MOST_FAILURES = 5;

export interface BreakerOptions {
  readonly random: () => number;
  /** Calls at once while all is well. */
  readonly most: number;
  /** Must not throw. */
  readonly changed?: (state: BreakerState) => void;
}

export class Breaker {
  readonly #options: BreakerOptions;
  #state: BreakerState = 'closed';
  #limit: number;
  /** How often it opened since something last got through. */
  #openings = 0;
  #pausedUntilMs = 0;
  /** Different items that failed since something last got through. */
  readonly #failing = new Set<number>();
  /** Kinds of failure that were told of since it was last closed. */
  readonly #told = new Set<SetbackKind>();

  constructor(options: BreakerOptions) {
    this.#options = options;
    this.#limit = options.most;
  }

  get isClosed(): boolean {
    return this.#state === 'closed';
  }

  /** When the next probe may begin; in the past while it is closed. */
  get pausedUntilMs(): number {
    return this.#pausedUntilMs;
  }

  isPaused(nowMs: number): boolean {
    // further away than any pause: the clock stepped back since
    return this.#state === 'open' && nowMs < this.#pausedUntilMs && this.#pausedUntilMs <= nowMs + LONGEST_WAIT_MS;
  }

  /** How many more may begin while so many are under way. */
  room(underWay: number, nowMs: number): number {
    if (this.isPaused(nowMs)) return 0;
    return Math.max(0, (this.isClosed ? this.#limit : 1) - underWay);
  }

  /** A call begins: when the breaker is open, it is the probe. */
  begun(): void {
    if (this.#state === 'open') this.#become('half-open');
  }

  /**
   * The EHR answered in a way that only one which works does. Returns true when that closed the
   * breaker. What began before it opened does not: the probe decides.
   */
  worked(): boolean {
    this.#failing.clear();
    if (this.#state === 'open') return false;
    if (this.#state === 'closed') {
      this.#limit = Math.min(this.#options.most, this.#limit * 2);
      return false;
    }
    this.#openings = 0;
    this.#told.clear();
    this.#limit = 1;
    this.#become('closed');
    return true;
  }

  /** The probe said nothing about the EHR; the next one may begin. */
  undecided(): void {
    if (this.#state === 'half-open') this.#become('open');
  }

  /** An item failed. Returns true when the breaker is open for a kind of failure that was not told of since it was last closed. */
  failed(item: number, setback: Setback, nowMs: number): boolean {
    this.#failing.add(item);
    const askedMs = asksForPatience(setback) ? askedWaitMs(setback.retryAfter, nowMs) : undefined;
    if (this.#state === 'open') this.#pausedUntilMs = Math.max(this.#pausedUntilMs, nowMs + (askedMs ?? 0));
    else if (this.#state === 'half-open' || opensAtOnce(setback) || this.#failing.size >= MOST_FAILURES) this.#open(nowMs, askedMs);
    else this.#limit = Math.max(1, Math.floor(this.#limit / 2));
    if (this.isClosed || this.#told.has(setback.kind)) return false;
    this.#told.add(setback.kind);
    return true;
  }

  #open(nowMs: number, askedMs: number | undefined): void {
    this.#pausedUntilMs = nowMs + (askedMs ?? backoffMs(this.#openings, this.#options.random));
    this.#openings += 1;
    this.#become('open');
  }

  #become(state: BreakerState): void {
    this.#state = state;
    this.#options.changed?.(state);
  }
}

function opensAtOnce(setback: Setback): boolean {
  return setback.kind === 'destination' || setback.kind === 'unsent' || asksForPatience(setback);
}

/** RFC 6585 section 4 and RFC 9110 section 15.6.4: these speak of the server, not of one request. */
function asksForPatience({ kind, status }: Setback): boolean {
  return kind === 'transient' && (status === 429 || status === 503);
}
