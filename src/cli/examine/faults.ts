/**
 * What the examiner does to a gateway, in this order, one fault for each new reading; every fault is
 * one that a service and a network really bring about. After the last one nothing more is done.
 */
export const FAULTS = {
  none: 'answered as the service answers it',
  busy: 'answered 503 with Retry-After in seconds, twice; nothing was stored',
  lost: 'stored, and the connection cut before the answer',
  throttled: 'answered 429 with Retry-After as a date; nothing was stored',
  slow: 'stored, and answered late',
  held: 'stored, and answered 202 as if it were held',
  refused: 'answered 422 with an OperationOutcome; nothing was stored',
} as const;

export type FaultName = Exclude<keyof typeof FAULTS, 'none'>;

export interface FaultTimes {
  readonly retryAfterSeconds: number;
  readonly slowMs: number;
}

export const FAULT_TIMES: FaultTimes = { retryAfterSeconds: 2, slowMs: 3_000 };

const ORDER = Object.keys(FAULTS) as (keyof typeof FAULTS)[];
const TIMES_GIVEN: Readonly<Partial<Record<FaultName, number>>> = { busy: 2 };

/** Which fault comes next, by the readings that have come so far. */
export class FaultPlan {
  readonly #met = new Map<string, { readonly fault: keyof typeof FAULTS; given: number }>();

  /** @param key of the reading, see `keyOf`; a resend meets the fault of its reading until that is used up */
  next(key: string): FaultName | undefined {
    const met = this.#met.get(key) ?? { fault: ORDER[this.#met.size] ?? 'none', given: 0 };
    this.#met.set(key, met);
    if (met.fault === 'none' || met.given >= (TIMES_GIVEN[met.fault] ?? 1)) return undefined;
    met.given += 1;
    return met.fault;
  }

  /** Faults that no reading has met yet. */
  get left(): number {
    return Math.max(0, ORDER.length - this.#met.size);
  }
}
