/** A fault as a value: what is done to the service, and what has to come of it. */
import type { Invariant } from './checker.ts';
import type { Nemesis } from './nemesis.ts';
import type { EhrOptions } from './ehr-stub.ts';
import type { TokenStub } from './token-stub.ts';

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
  /** Starts what the service needs beside store and EHR, before the service itself. */
  readonly prepare?: (folder: string) => Promise<Surroundings>;
  readonly ehr?: Omit<EhrOptions, 'random'>;
  /** How long everything may take to arrive once all is well, in ms, when that is not the usual minute. */
  readonly drainMs?: number;
  /** Statuses that it provokes on purpose, beside those of a good day. */
  readonly provokes?: readonly number[];
  /** Verdicts that differ from "valid" by the nature of the fault. */
  readonly expected?: Partial<Readonly<Record<Invariant, 'invalid' | 'unknown'>>>;
}

/** What a fault has prepared, by name; ended after everything else. */
export interface Surroundings {
  readonly environment: Readonly<Record<string, string>>;
  readonly postgres?: Postgres;
  readonly tokens?: TokenStub;
  end(): Promise<void>;
}

/** A PostgreSQL of the fault's own, see `tests/postgres.ts`. */
export interface Postgres {
  url(database: string): string;
  createDatabase(): Promise<string>;
  /** A crash and a new start. */
  restart(): Promise<void>;
  /** A crash. */
  halt(): Promise<void>;
  stop(): Promise<void>;
}

/** `short` belongs to `npm test`; `long` is for a release. */
export type Size = 'short' | 'long';
