/**
 * The one use case: load what a judgement needs, evaluate, store and queue in one unit of work.
 * All awaits of the pipeline live here. (Signatures first; the body follows.)
 */
import type * as fhir4 from 'fhir/r4.js';
import type { RefusalStatus, Verdict } from './core/finding.ts';
import type { JsonObject, JsonValue } from './core/json.ts';
import type { StoredResource } from './ports.ts';

/** How one intake call answers. `status` is the HTTP status that the contract gives it. */
export interface IntakeAnswer {
  readonly status: 200 | 201 | 202 | RefusalStatus;
  readonly verdict: Verdict;
  /** The stored or already existing resource: Location and ETag are made from it. */
  readonly resource?: StoredResource;
  readonly outcome: fhir4.OperationOutcome;
}

/** What would happen, of which nothing was stored. */
export interface Assessment {
  readonly verdict: Verdict;
  readonly outcome: fhir4.OperationOutcome;
  readonly observation?: JsonObject;
  readonly derived: readonly JsonObject[];
}

export interface BundleAnswer {
  readonly status: number;
  /** `batch-response` or `transaction-response` Bundle, or the one OperationOutcome of a failed transaction. */
  readonly body: JsonObject;
}

export interface Intake {
  /**
   * @param parsed the exact JSON tree of the body
   * @param text the body as it was received, kept with a refusal
   * @param ifNoneExist search part of a conditional create (`identifier=system|value`)
   */
  create(parsed: JsonValue, text: string, ifNoneExist?: string): Promise<IntakeAnswer>;
  /** A correction. Throws ServiceError ERR_NOT_FOUND, ERR_VERSION_CONFLICT, ERR_BAD_VALUE (id differs). */
  correct(id: string, parsed: JsonValue, text: string, ifMatchVersion: number): Promise<IntakeAnswer>;
  /** Patient, Device or DeviceMetric under the caller's id; 201 when new, else 200. */
  putRegistry(type: 'Patient' | 'Device' | 'DeviceMetric', id: string, parsed: JsonValue, ifMatchVersion?: number): Promise<IntakeAnswer>;
  /** The dry run behind `$validate` and `$assess`: the very same engine, nothing stored. */
  assess(parsed: JsonValue): Promise<Assessment>;
  /** A batch or transaction Bundle (parsed and known to be a Bundle resource). */
  bundle(parsed: JsonObject, text: string): Promise<BundleAnswer>;
}
