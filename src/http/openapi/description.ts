/**
 * What the API description says of a route beyond what the route itself shows: what it means, what
 * it is asked with and how it answers. What every route answers stands in `general-answers.ts`.
 */

/** One answer, by its own status. */
export interface DescribedAnswer {
  readonly means: string;
  /** Type of the FHIR resource in the body; absent for other bodies and for none. */
  readonly resource?: string;
  /** Media types of a body that is no FHIR resource. */
  readonly media?: readonly string[];
  readonly headers?: readonly AnswerHeader[];
}

export interface DescribedParameter {
  readonly name: string;
  readonly means: string;
  readonly required?: boolean;
  /** May be given several times. */
  readonly repeats?: boolean;
}

/** Taken wherever a query is read. */
export const FORMAT: DescribedParameter = { name: '_format', means: 'json: the one format that is served; outranks Accept.' };

export interface Description {
  /** A few words for a list. */
  readonly summary: string;
  readonly means: string;
  readonly query?: readonly DescribedParameter[];
  readonly headers?: readonly RequestHeader[];
  /** Types of the FHIR resources that the body may be, where there is one. */
  readonly body?: readonly string[];
  readonly answers: Readonly<Record<number, DescribedAnswer>>;
}

/** Headers that calls are asked with (HL7 FHIR R4, RESTful API, sections 3.1.0.1.8 to 3.1.0.8). */
export const REQUEST_HEADERS = {
  'If-Match': 'The version that this is based on, as W/"3": the ETag that was read.',
  'If-None-Match': 'The version that the caller has, as W/"3"; answered 304 while it is the current one.',
  'If-None-Exist': 'identifier=system|value: nothing is stored when a reading with this identifier is there.',
  Prefer: 'return=minimal, return=representation or return=OperationOutcome; for searches handling=lenient; for exports respond-async.',
} as const;
export type RequestHeader = keyof typeof REQUEST_HEADERS;

export const ANSWER_HEADERS = {
  'X-Request-Id': 'Id of the call: the one that was sent, or a new one. Name it when you report a problem.',
  Location: 'Address of what was stored: of its version, where it has versions.',
  ETag: 'The version, as W/"1"; send it back as If-Match.',
  'Last-Modified': 'When this version was stored.',
  'Retry-After': 'Seconds to wait at the least before the same is sent again.',
  'WWW-Authenticate': 'Bearer challenge (RFC 6750).',
  Allow: 'Methods that are served here.',
  'Content-Location': 'Where to ask how far it is.',
  Expires: 'Until when it is there.',
  'X-Progress': 'How far it is, in words.',
} as const;
export type AnswerHeader = keyof typeof ANSWER_HEADERS;
