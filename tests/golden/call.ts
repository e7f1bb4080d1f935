/** What the calls of a golden file are served with, and how they are answered. */
import type { Verdict } from '../../src/core/finding.ts';
import type { Policy } from '../../src/core/policy.ts';
import type { Intake, IntakeAnswer } from '../../src/ingest.ts';
import type { Clock, Store } from '../../src/ports.ts';

export interface Parts {
  readonly store: Store;
  readonly clock: Clock;
  readonly policy: Policy;
  readonly intake: Intake;
  readonly baseUrl: string;
}

export type WireOutcome = IntakeAnswer['outcome'];

export interface Answered {
  readonly status: number;
  /** Absent when only the issues tell. */
  readonly verdict?: Verdict;
  /** One; of a Bundle that of each entry. */
  readonly outcomes: readonly WireOutcome[];
}
