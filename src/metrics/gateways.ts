/**
 * When each client was last heard of, and how far its clock is from ours. In the memory of one
 * replica: whoever asks several takes the latest. Client ids come from tokens and are bounded here.
 */
import type { Clock } from '../ports.ts';
import type { Instruments } from './instruments.ts';

/** More clients than a hospital has gateways: the rest share one label, so that no issuer can fill the memory. */
const MOST_CLIENTS = 500;
const THE_REST = 'other';
/** Whoever calls while nobody has to show a token. */
const NOBODY_NAMED = 'anybody';

/** A difference that nobody has confirmed for so long says nothing of now. */
const LONGEST_SAID_MS = 3_600_000;

/** IMF-fixdate, the one form that RFC 9110 section 5.6.7 lets a sender write. */
const HTTP_DATE =
  /^(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun), \d{2} (?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) \d{4} \d{2}:\d{2}:\d{2} GMT$/;

/** One request of a client. */
export interface Heard {
  /** `client_id` of its token; absent while nobody has to show one. */
  readonly client?: string | undefined;
  /** The request's `Date` header, as it was sent. */
  readonly date?: string | undefined;
  /** How long ago its first lines arrived. */
  readonly agoMs: number;
}

export class GatewayFigures {
  readonly #clock: Clock;
  readonly #instruments: Instruments;
  readonly #clients = new Set<string>();
  /** When each clock difference was seen. */
  readonly #differenceAtMs = new Map<string, number>();

  constructor(clock: Clock, instruments: Instruments) {
    this.#clock = clock;
    this.#instruments = instruments;
  }

  /**
   * Who must not be silent for longer than how many seconds, by client id. One that was never heard
   * of counts from now. Replaces what was expected before.
   */
  expect(intervals: ReadonlyMap<string, number>): void {
    const expected = this.#instruments.gauge('steelyard_gateway_expected_interval_seconds');
    expected.reset();
    for (const [client, seconds] of intervals) {
      if (!this.#clients.has(client)) this.#setLastSeen(this.#labelOf(client), this.#clock.nowMs());
      expected.set({ client: this.#labelOf(client) }, seconds);
    }
  }

  heard({ client = NOBODY_NAMED, date, agoMs }: Heard): void {
    const label = this.#labelOf(client);
    const arrivedMs = this.#clock.nowMs() - agoMs;
    this.#setLastSeen(label, arrivedMs);
    const theirsMs = date !== undefined && HTTP_DATE.test(date) ? Date.parse(date) : Number.NaN;
    if (Number.isNaN(theirsMs)) return;
    this.#differenceAtMs.set(label, arrivedMs);
    this.#instruments.gauge('steelyard_gateway_clock_difference_seconds').set({ client: label }, (theirsMs - arrivedMs) / 1000);
  }

  /** Forgets the clock differences that are too old to be told. */
  forgetOld(): void {
    const nowMs = this.#clock.nowMs();
    for (const [client, seenMs] of this.#differenceAtMs) {
      if (nowMs - seenMs <= LONGEST_SAID_MS) continue;
      this.#differenceAtMs.delete(client);
      this.#instruments.gauge('steelyard_gateway_clock_difference_seconds').remove({ client });
    }
  }

  #setLastSeen(client: string, atMs: number): void {
    this.#instruments.gauge('steelyard_gateway_last_seen_timestamp_seconds').set({ client }, atMs / 1000);
  }

  #labelOf(client: string): string {
    if (!this.#clients.has(client) && this.#clients.size >= MOST_CLIENTS) return THE_REST;
    this.#clients.add(client);
    return client;
  }
}
