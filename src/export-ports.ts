/**
 * Bulk exports as the store keeps them. A job is a row: which versions stood when it was asked for,
 * and how many of them each part has. Nothing is written out: a part is read from the store when
 * somebody fetches it, and versions never change, so it is the same each time, on every replica.
 */
import type { Call } from './caller.ts';
import type { StoredResource } from './stored-resource.ts';

export interface NewExport {
  readonly id: string;
  /** The address that was asked for: no patient data. */
  readonly request: string;
  /** Only what was stored after this instant, with microseconds; everything when absent. */
  readonly since?: string;
  readonly createdMs: number;
  readonly expiresMs: number;
}

export interface ExportJob extends NewExport {
  /** Who asked for it, by `client_id`; absent while no token is asked for. */
  readonly client?: string;
  /** When the newest version was stored that the job can hold, a FHIR instant. */
  readonly transactionTime: string;
  /** How much of the store has been counted, 0 to 1; 1 once the job is done. */
  readonly progress: number;
  /** Observations of each part, in order; parts that have none are there with 0. */
  readonly counts: readonly number[];
}

export interface ExportLimits {
  readonly mostPerClient: number;
  readonly most: number;
}

export interface ExportPage {
  readonly resources: readonly StoredResource[];
  /** Whose they are, each key once. */
  readonly persons: readonly string[];
  /** Where the next page begins; absent on the last one. */
  readonly next?: number;
}

export interface ExportStore {
  /** Looks at the store as it is now. Undefined when the client, or all together, have too many that are not over. */
  begin(job: NewExport, limits: ExportLimits, call: Call): Promise<ExportJob | undefined>;
  /** Undefined when there is none, or its time is over. */
  find(id: string, nowMs: number): Promise<ExportJob | undefined>;
  /** Counts a bounded piece more; does nothing once all is counted. Two callers at once do it once. */
  advance(id: string): Promise<void>;
  /** False when there is none. */
  remove(id: string, nowMs: number, call: Call): Promise<boolean>;
  /**
   * At most `limit` Observations of a part, by the order of storing; `from` is where the page before
   * ended. Undefined when the job is gone, so that nobody takes what was read of it for the whole.
   */
  page(job: ExportJob, part: number, limit: number, from?: number): Promise<ExportPage | undefined>;
  /** Removes the jobs whose time is over. Returns how many. */
  removeExpired(nowMs: number): Promise<number>;
}
