/** A fault as a value: what is done to the service, and what has to come of it. */
import type { Invariant } from './checker.ts';
import type { Nemesis } from './nemesis.ts';
import type { EhrOptions } from './ehr-stub.ts';

export interface Fault {
  /** Kebab-case, unique. */
  readonly name: string;
  /** What is done, in a few words. */
  readonly title: string;
  /** Does it, under load, and settles what it did; calm, drain and check come after. */
  readonly run: (nemesis: Nemesis) => Promise<void>;
  /** Why it cannot be tried here; it is then reported as not tried, never as passed. */
  readonly impossible?: () => Promise<string | undefined> | string | undefined;
  /** Settings of the service beside store and EHR. */
  readonly environment?: Readonly<Record<string, string>>;
  readonly ehr?: Omit<EhrOptions, 'random'>;
  /** Statuses that it provokes on purpose, beside those of a good day. */
  readonly provokes?: readonly number[];
  /** Verdicts that differ from "valid" by the nature of the fault. */
  readonly expected?: Partial<Readonly<Record<Invariant, 'invalid' | 'unknown'>>>;
}

/** `short` belongs to `npm test`; `long` is for a release. */
export type Size = 'short' | 'long';
