/**
 * What can go wrong around a request, as opposed to in a reading (that is a Finding).
 *
 * One table maps a stable code to HTTP status and R4 IssueType. Messages are our own words and
 * never hold request text or patient data; callers switch on `code`, never on the message.
 */
import type * as fhir4 from 'fhir/r4.js';
import { OURS } from './core/terminology.ts';

interface ErrorRow {
  readonly status: number;
  readonly issue: fhir4.OperationOutcomeIssue['code'];
  /** A few words for a list. */
  readonly title: string;
  /** The part of the request at fault, when the error names no closer one. */
  readonly at?: `http.${string}`;
  /** Seconds for `Retry-After`, when sending the same again later makes sense. */
  readonly retryAfter?: number;
}

export const ERRORS = {
  ERR_NOT_JSON: { status: 400, issue: 'structure', title: 'Not acceptable JSON', at: 'http.body' },
  ERR_BAD_REQUEST: { status: 400, issue: 'invalid', title: 'Request not understood' },
  ERR_BAD_VALUE: { status: 400, issue: 'value', title: 'Value not understood' },
  ERR_IF_MATCH_REQUIRED: { status: 400, issue: 'required', title: 'If-Match missing', at: 'http.if-match' },
  ERR_NOT_SUPPORTED: { status: 400, issue: 'not-supported', title: 'Not supported' },
  ERR_UNAUTHENTICATED: { status: 401, issue: 'login', title: 'No valid token', at: 'http.authorization' },
  ERR_FORBIDDEN: { status: 403, issue: 'forbidden', title: 'Not allowed', at: 'http.authorization' },
  ERR_NOT_FOUND: { status: 404, issue: 'not-found', title: 'Not found', at: 'http.path' },
  ERR_UNKNOWN_TYPE: { status: 404, issue: 'not-supported', title: 'Nothing is served here', at: 'http.path' },
  ERR_METHOD: { status: 405, issue: 'not-supported', title: 'Method not served', at: 'http.method' },
  ERR_NOT_ACCEPTABLE: { status: 406, issue: 'not-supported', title: 'No acceptable format', at: 'http.accept' },
  ERR_TIMEOUT: { status: 408, issue: 'timeout', title: 'Request too slow' },
  ERR_CONFLICT: { status: 409, issue: 'conflict', title: 'No longer possible' },
  ERR_VERSION_CONFLICT: { status: 412, issue: 'conflict', title: 'Version conflict', at: 'http.if-match' },
  ERR_SEVERAL_MATCHES: { status: 412, issue: 'multiple-matches', title: 'Several matches' },
  ERR_TOO_LARGE: { status: 413, issue: 'too-long', title: 'Body too large', at: 'http.body' },
  ERR_URL_TOO_LONG: { status: 414, issue: 'too-long', title: 'URL too long', at: 'http.path' },
  ERR_MEDIA_TYPE: { status: 415, issue: 'not-supported', title: 'Media type not supported', at: 'http.content-type' },
  ERR_EXPECTATION: { status: 417, issue: 'not-supported', title: 'Expectation not supported', at: 'http.expect' },
  ERR_TOO_MANY: { status: 429, issue: 'throttled', title: 'Too many requests', retryAfter: 60 },
  ERR_HEADERS_TOO_LARGE: { status: 431, issue: 'too-long', title: 'Headers too large' },
  ERR_INTERNAL: { status: 500, issue: 'exception', title: 'Fault of this service' },
  ERR_KEYS_UNAVAILABLE: { status: 503, issue: 'transient', title: 'Tokens cannot be checked now', retryAfter: 30 },
  ERR_BUSY: { status: 503, issue: 'transient', title: 'Too busy now', retryAfter: 5 },
  ERR_STORE_UNAVAILABLE: { status: 503, issue: 'transient', title: 'Store unavailable', retryAfter: 5 },
} as const satisfies Record<string, ErrorRow>;

export type ErrorCode = keyof typeof ERRORS;

/** A request that cannot be served, for a reason that is not in the reading itself. */
export class ServiceError extends Error {
  readonly code: ErrorCode;
  /** FHIRPath of the element, or `http.<header>`. */
  readonly expression: string | undefined;
  /** Parameters for `WWW-Authenticate: Bearer`, when a token, or another one, would help. */
  readonly challenge: string | undefined;

  constructor(
    code: ErrorCode,
    message: string,
    options: { readonly expression?: string; readonly challenge?: string; readonly cause?: unknown } = {},
  ) {
    super(message, options.cause === undefined ? undefined : { cause: options.cause });
    this.name = 'ServiceError';
    this.code = code;
    this.expression = options.expression;
    this.challenge = options.challenge;
  }

  get row(): ErrorRow {
    return ERRORS[this.code];
  }
}

/** The code under which an error stands in our CodeSystem of rules: `transport-not-found`. */
export function ruleIdOf(code: ErrorCode): string {
  return `transport-${code.slice('ERR_'.length).toLowerCase().replaceAll('_', '-')}`;
}

/**
 * The OperationOutcome of an error: one issue, our own words. Where no element of a resource is at
 * fault, `expression` is `http.` and the header or parameter (HL7 FHIR R4, OperationOutcome,
 * issue.location), or the part of the request.
 */
export function toServiceOutcome(error: ServiceError): fhir4.OperationOutcome {
  const { issue, status, title, at = 'http.request' } = error.row;
  return {
    resourceType: 'OperationOutcome',
    issue: [
      {
        severity: status >= 500 || error.code === 'ERR_NOT_JSON' ? 'fatal' : 'error',
        code: issue,
        details: { coding: [{ system: OURS.ruleSystem, code: ruleIdOf(error.code), display: title }], text: title },
        diagnostics: error.message,
        expression: [error.expression ?? at],
      },
    ],
  };
}
