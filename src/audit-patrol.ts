/**
 * Goes round the audit chain while the service runs, a page at a time, so that an event which was
 * altered or removed is seen although nobody asks. The whole chain at once would hold up a ward for
 * minutes once it is years long; `steelyard audit verify` does that where nobody waits.
 */
import type { AuditFault, AuditPlace, AuditReader } from './ports.ts';

export interface AuditPatrolLog {
  /** The first bad event that a round came upon; once for each. */
  auditBroken(bad: { readonly number: number; readonly fault: AuditFault }): void;
  fault(error: unknown, facts: { readonly during: string }): void;
}

/** A page is some milliseconds of work: at this pace a million events are gone round in under six hours. */
const PAUSE_MS = 10_000;

export class AuditPatrol {
  readonly #audit: Pick<AuditReader, 'verifyPage'>;
  readonly #log: AuditPatrolLog;
  readonly #pauseMs: number;
  #reached: AuditPlace | undefined;
  #isBroken = false;
  #reported: number | undefined;
  #timer: NodeJS.Timeout | undefined;
  #step: Promise<void> | undefined;

  constructor(audit: Pick<AuditReader, 'verifyPage'>, log: AuditPatrolLog, pauseMs = PAUSE_MS) {
    this.#audit = audit;
    this.#log = log;
    this.#pauseMs = pauseMs;
  }

  /** True from a bad event on, until a whole round finds none. */
  get isBroken(): boolean {
    return this.#isBroken;
  }

  start(): void {
    this.#timer = setInterval(() => {
      this.#step ??= this.goOn().finally(() => (this.#step = undefined));
    }, this.#pauseMs).unref();
  }

  async stop(): Promise<void> {
    clearInterval(this.#timer);
    await this.#step;
  }

  /** Looks at the next page. Never throws: a store that cannot be read is looked at again. */
  async goOn(): Promise<void> {
    try {
      const { reached, bad } = await this.#audit.verifyPage(this.#reached);
      if (bad) {
        this.#isBroken = true;
        if (this.#reported !== bad.number) this.#log.auditBroken(bad);
        this.#reported = bad.number;
      } else if (reached === undefined) {
        this.#isBroken = false;
        this.#reported = undefined;
      }
      this.#reached = reached;
    } catch (error) {
      this.#log.fault(error, { during: 'audit' });
    }
  }
}
