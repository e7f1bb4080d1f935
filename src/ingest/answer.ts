/** How intake calls answer, in the terms of the contract. */
import type * as fhir4 from 'fhir/r4.js';
import { refusalStatusOf, toOperationOutcome, type Finding, type RefusalStatus, type Verdict } from '../core/finding.ts';
import type { JsonObject } from '../core/json.ts';
import type { Policy } from '../core/policy.ts';
import type { StoredResource } from '../ports.ts';

/** How one intake call answers. `status` is the HTTP status that the contract gives it. */
export interface IntakeAnswer {
  readonly status: 200 | 201 | 202 | RefusalStatus;
  readonly verdict: Verdict;
  /** The stored or already existing resource: Location and ETag are made from it. */
  readonly resource?: StoredResource;
  readonly outcome: fhir4.OperationOutcome;
}

/** An answer with its findings, so that a refusal can be kept. */
export type Taken = IntakeAnswer & { readonly findings: readonly Finding[] };

export function refused(findings: readonly Finding[], { policy }: { readonly policy: Policy }): Taken {
  return {
    status: refusalStatusOf(findings),
    verdict: 'refused',
    findings,
    outcome: toOperationOutcome(findings, { policyVersion: policy.version }),
  };
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
