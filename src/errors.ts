/**
 * What can go wrong around a request, as opposed to in a reading (that is a Finding).
 *
 * One table maps a stable code to HTTP status and R4 IssueType. Messages are our own words and
 * never hold request text or patient data; callers switch on `code`, never on the message.
 */
import type * as fhir4 from 'fhir/r4.js';

interface ErrorRow {
  readonly status: number;
  readonly issue: fhir4.OperationOutcomeIssue['code'];
  /** Seconds for `Retry-After`, when sending the same again later makes sense. */
  readonly retryAfter?: number;
}

export const ERRORS = {
  ERR_BAD_REQUEST: { status: 400, issue: 'invalid' },
  ERR_BAD_VALUE: { status: 400, issue: 'value' },
  ERR_IF_MATCH_REQUIRED: { status: 400, issue: 'required' },
  ERR_NOT_SUPPORTED: { status: 400, issue: 'not-supported' },
  ERR_UNAUTHENTICATED: { status: 401, issue: 'login' },
  ERR_FORBIDDEN: { status: 403, issue: 'forbidden' },
  ERR_NOT_FOUND: { status: 404, issue: 'not-found' },
  ERR_UNKNOWN_TYPE: { status: 404, issue: 'not-supported' },
  ERR_METHOD: { status: 405, issue: 'not-supported' },
  ERR_NOT_ACCEPTABLE: { status: 406, issue: 'not-supported' },
  ERR_TIMEOUT: { status: 408, issue: 'timeout' },
  ERR_CONFLICT: { status: 409, issue: 'conflict' },
  ERR_VERSION_CONFLICT: { status: 412, issue: 'conflict' },
  ERR_SEVERAL_MATCHES: { status: 412, issue: 'multiple-matches' },
  ERR_TOO_LARGE: { status: 413, issue: 'too-long' },
  ERR_URL_TOO_LONG: { status: 414, issue: 'too-long' },
  ERR_MEDIA_TYPE: { status: 415, issue: 'not-supported' },
  ERR_EXPECTATION: { status: 417, issue: 'not-supported' },
  ERR_THROTTLED: { status: 429, issue: 'throttled', retryAfter: 1 },
  ERR_INTERNAL: { status: 500, issue: 'exception' },
  ERR_STORE_UNAVAILABLE: { status: 503, issue: 'transient', retryAfter: 5 },
} as const satisfies Record<string, ErrorRow>;

export type ErrorCode = keyof typeof ERRORS;

/** A request that cannot be served, for a reason that is not in the reading itself. */
export class ServiceError extends Error {
  readonly code: ErrorCode;
  /** FHIRPath of the element, or `http.<header>`. */
  readonly expression: string | undefined;

  constructor(code: ErrorCode, message: string, options: { readonly expression?: string; readonly cause?: unknown } = {}) {
    super(message, options.cause === undefined ? undefined : { cause: options.cause });
    this.name = 'ServiceError';
    this.code = code;
    this.expression = options.expression;
  }

  get row(): ErrorRow {
    return ERRORS[this.code];
  }
}
