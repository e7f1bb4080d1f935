/**
 * Refusals of access without a flood: a gateway with an old token calls a hundred times a minute, and
 * somebody who guesses calls more often still. Of each kind (caller, route, status) the first few of a
 * minute are events of their own; the rest of that minute become one event that says how many.
 */
import type { AuditedFacts } from './core/audit/event.ts';
import type { Clock } from './ports.ts';

type Facts = Omit<AuditedFacts, 'recordedMs'>;

const MINUTE_MS = 60_000;
const ONE_BY_ONE = 5;
/** Callers are known by name only when their token was good; this bounds memory all the same. */
const MOST_KINDS = 1_000;
const LOOK_MS = 10_000;

interface Minute {
  readonly startMs: number;
  readonly facts: Facts;
  alone: number;
  together: number;
}

export class RefusedAccess {
  readonly #record: (facts: Facts) => Promise<void>;
  readonly #minutes = new Map<string, Minute>();
  #look: NodeJS.Timeout | undefined;

  /** @param record writes one event; does not throw when the store cannot */
  constructor(record: (facts: Facts) => Promise<void>) {
    this.#record = record;
  }

  /** From now on a minute that is over is written down although nobody calls any more. */
  start(clock: Clock): void {
    this.#look = setInterval(() => void this.closeMinutes(clock.nowMs()), LOOK_MS).unref();
  }

  async note(kind: string, facts: Facts, nowMs: number): Promise<void> {
    await this.closeMinutes(nowMs);
    const known = this.#minutes.has(kind) || this.#minutes.size < MOST_KINDS ? kind : 'others';
    const minute = this.#minutes.get(known) ?? { startMs: nowMs, facts, alone: 0, together: 0 };
    this.#minutes.set(known, minute);
    if (minute.alone >= ONE_BY_ONE) {
      minute.together += 1;
      return;
    }
    minute.alone += 1;
    await this.#record(facts);
  }

  /** Writes one event for each minute that is over and had more than a few. */
  async closeMinutes(nowMs: number): Promise<void> {
    for (const [kind, minute] of this.#minutes) {
      // a clock that was set back must not keep a minute open
      if (Math.abs(nowMs - minute.startMs) < MINUTE_MS) continue;
      this.#minutes.delete(kind);
      await this.#close(minute);
    }
  }

  async stop(): Promise<void> {
    clearInterval(this.#look);
    const minutes = [...this.#minutes.values()];
    this.#minutes.clear();
    for (const minute of minutes) await this.#close(minute);
  }

  async #close({ facts, together }: Minute): Promise<void> {
    if (together === 0) return;
    const { resources: _resources, persons: _persons, query: _query, requestId: _requestId, details = [], ...rest } = facts;
    await this.#record({ ...rest, details: [...details, ['more within a minute', String(together)]] });
  }
}
