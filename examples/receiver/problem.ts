/** A request that the stand-in EHR refuses, and the OperationOutcome that says so. */
import type * as fhir4 from 'fhir/r4.js';
import type { JsonObject } from '../../src/core/json.ts';

export class FhirProblem extends Error {
  readonly status: number;
  readonly code: fhir4.OperationOutcomeIssue['code'];
  readonly expression: string | undefined;

  constructor(status: number, code: fhir4.OperationOutcomeIssue['code'], message: string, expression?: string) {
    super(message);
    this.name = 'FhirProblem';
    this.status = status;
    this.code = code;
    this.expression = expression;
  }

  toOutcome(): JsonObject {
    return {
      resourceType: 'OperationOutcome',
      issue: [
        {
          severity: 'error',
          code: this.code,
          diagnostics: this.message,
          ...(this.expression === undefined ? {} : { expression: [this.expression] }),
        },
      ],
    };
  }
}
