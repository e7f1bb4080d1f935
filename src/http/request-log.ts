/**
 * The log lines of answers, sampled under storms: an answer that says nothing of a reading gets a
 * line only as long as there are few of its status in a second; of the others the number is told.
 * The metrics count every one.
 */
import type { Log, RequestFacts } from '../log.ts';
import { ruleIdOf } from '../errors.ts';

/** Lines a second and status; a person reads no more, and no disk is filled by them (common practice, no source). */
export const MOST_LINES_A_SECOND = 20;
const SECOND_MS = 1_000;

/** Answers by which something was stored, judged, or found to be at odds with what is stored. */
const OF_READINGS = new Set([409, 412, 422]);

type Lines = Pick<Log, 'request' | 'leftOut'>;

export class RequestLog {
  readonly #log: Lines;
  readonly #nowMs: () => number;
  readonly #seconds = new Map<number, { startedAtMs: number; lines: number; leftOut: number }>();

  /** @param nowMs a clock that never goes back */
  constructor(log: Lines, nowMs: () => number = () => performance.now()) {
    this.#log = log;
    this.#nowMs = nowMs;
  }

  answered(facts: RequestFacts): void {
    if (!isSampled(facts) || this.#hasRoom(facts.status)) this.#log.request(facts);
  }

  #hasRoom(status: number): boolean {
    const nowMs = this.#nowMs();
    const second = this.#seconds.get(status) ?? { startedAtMs: nowMs, lines: 0, leftOut: 0 };
    this.#seconds.set(status, second);
    if (nowMs - second.startedAtMs >= SECOND_MS) {
      this.#tell(status);
      Object.assign(second, { startedAtMs: nowMs, lines: 0 });
    }
    if (second.lines < MOST_LINES_A_SECOND) {
      second.lines += 1;
      return true;
    }
    // a storm that ends tells its number too
    if (second.leftOut === 0) setTimeout(() => this.#tell(status), SECOND_MS).unref();
    second.leftOut += 1;
    return false;
  }

  #tell(status: number): void {
    const second = this.#seconds.get(status);
    if (second === undefined || second.leftOut === 0) return;
    this.#log.leftOut({ status, count: second.leftOut });
    second.leftOut = 0;
  }
}

function isSampled({ status, ruleIds = [] }: RequestFacts): boolean {
  if (status >= 500) return ruleIds.includes(ruleIdOf('ERR_BUSY'));
  return status >= 400 && !OF_READINGS.has(status);
}
