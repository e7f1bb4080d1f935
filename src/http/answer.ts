/**
 * The only place that writes FHIR answers. Texts go out as they are stored: never `res.json`,
 * which would lose written digits.
 */
import type * as fhir4 from 'fhir/r4.js';
import { stringifyExact } from '../core/json.ts';
import { toServiceOutcome, type ServiceError } from '../errors.ts';
import type { StoredResource } from '../ports.ts';
import { toVersionTag } from '../version-tag.ts';
import { takeBeforeAnswer } from './before-answer.ts';
import type { Response } from './serving.ts';

export const FHIR_JSON = 'application/fhir+json; charset=utf-8';

export interface FhirAnswer {
  readonly status: number;
  /** No body when absent. */
  readonly text?: string;
  /** FHIR JSON when absent. */
  readonly contentType?: string;
  /** The resource whose version ETag and Last-Modified speak of. */
  readonly version?: Pick<StoredResource, 'version' | 'lastUpdated'>;
  readonly location?: string;
}

/** Sends the answer once what has to be done before it is done, see `before-answer.ts`. */
export function sendFhir(res: Response, answer: FhirAnswer): void {
  sendOnceRecorded(res, answer, () => write(res, answer));
}

/** The same of an answer in any form. @param send writes it */
export function sendOnceRecorded(res: Response, answer: Pick<FhirAnswer, 'status' | 'text'>, send: () => void): void {
  const waiting = takeBeforeAnswer(res)?.(answer);
  if (waiting === undefined) {
    send();
    return;
  }
  waiting.then(
    (refusal) => {
      // the caller may have been told of a fault meanwhile
      if (res.headersSent) return;
      if (refusal) sendServiceError(res, refusal);
      else send();
    },
    // nothing leaves that could not be accounted for
    () => res.destroy(),
  );
}

function write(res: Response, { status, text, version, location, contentType = FHIR_JSON }: FhirAnswer): void {
  res.status(status);
  if (version) {
    res.set('ETag', toVersionTag(version.version));
    res.set('Last-Modified', new Date(version.lastUpdated).toUTCString());
  }
  if (location !== undefined) res.set('Location', location);
  if (text === undefined) {
    if (status !== 304 && status !== 204) res.set('Content-Length', '0');
    res.end();
    return;
  }
  const body = Buffer.from(text, 'utf8');
  res.set('Content-Type', contentType);
  res.set('Content-Length', String(body.length));
  res.end(body);
}

export function sendOutcome(res: Response, status: number, outcome: fhir4.OperationOutcome): void {
  sendFhir(res, { status, text: stringifyExact(outcome) });
}

export function sendServiceError(res: Response, error: ServiceError): void {
  const { status, retryAfter } = error.row;
  // RFC 9110 section 15.5.6 asks for Allow; a PUT that may not create can still be read for
  if (status === 405 && !res.hasHeader('Allow')) res.set('Allow', 'GET, HEAD');
  // who refuses may know better than the table when to come back
  if (retryAfter !== undefined && !res.hasHeader('Retry-After')) res.set('Retry-After', String(retryAfter));
  if (status === 401 || error.challenge !== undefined) res.set('WWW-Authenticate', challengeOf(error));
  sendOutcome(res, status, toServiceOutcome(error));
}

/** RFC 6750 section 3; no error is named to who showed no token at all. */
function challengeOf({ challenge }: ServiceError): string {
  return ['Bearer realm="steelyard"', ...(challenge === undefined ? [] : [challenge])].join(', ');
}

/** Address of one version of a resource under our own base, never under the request's Host. */
export function versionUrl(baseUrl: string, { type, id, version }: Pick<StoredResource, 'type' | 'id' | 'version'>): string {
  return `${baseUrl}/${type}/${id}/_history/${version}`;
}
