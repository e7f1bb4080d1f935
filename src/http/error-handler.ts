/**
 * Every error becomes an OperationOutcome in our own words. Messages of express and its parsers
 * are never used: they quote what was sent.
 */
import type { ErrorRequestHandler } from 'express';
import { ruleIdOf, ServiceError } from '../errors.ts';
import { StoreUnavailable } from '../ports.ts';
import { refusalStatusOf, toOperationOutcome } from '../core/finding.ts';
import { sendOutcome, sendServiceError } from './answer.ts';
import { tooLarge, UnreadableBody } from './body.ts';
import type { RequestHandler, Serving } from './serving.ts';
import { notesOf } from './request-notes.ts';
import { sendPageError } from './review/page-errors.ts';
import { pageAreaOf } from './sign-in/identify-visitor.ts';

export const nothingHere: RequestHandler = () => {
  throw new ServiceError('ERR_UNKNOWN_TYPE', 'Nothing is served at this address. GET /fhir/metadata says what is.');
};

export function answerErrors({ log }: Pick<Serving, 'log'>): ErrorRequestHandler {
  // express knows an error handler by its four parameters
  return (error: unknown, req, res, _next) => {
    const known = toServiceError(error);
    const { requestId, ruleIds } = notesOf(res);
    if (known) ruleIds.add(ruleIdOf(known.code));
    if (!(error instanceof UnreadableBody) && isFault(known)) log.fault(error, { requestId, during: 'request' });
    if (res.headersSent) {
      // too late for a status: cut the answer off, so that nobody takes it for whole
      res.destroy();
      return;
    }
    if (error instanceof UnreadableBody) {
      sendOutcome(res, refusalStatusOf([error.finding]), toOperationOutcome([error.finding]));
      return;
    }
    const told = known ?? new ServiceError('ERR_INTERNAL', `This is our fault, not yours. Report it with the request id ${requestId}.`);
    const area = pageAreaOf(req.path);
    if (area === undefined) sendServiceError(res, told);
    else sendPageError(res, told, area);
  };
}

/** To shed load is no fault: it is counted and sampled, and a line for each would fill the disk when there is least room for it. */
function isFault(known: ServiceError | undefined): boolean {
  return known === undefined || (known.row.status >= 500 && known.code !== 'ERR_BUSY');
}

/** Undefined for what nobody foresaw. */
export function toServiceError(error: unknown): ServiceError | undefined {
  if (error instanceof ServiceError) return error;
  if (error instanceof StoreUnavailable) {
    return new ServiceError('ERR_STORE_UNAVAILABLE', 'The store cannot take this now. Nothing was stored; send it again.', {
      cause: error,
    });
  }
  // errors of express and body-parser say by `type` and `status` what happened
  const { type, status } = error instanceof Error ? (error as Error & { type?: unknown; status?: unknown }) : {};
  if (type === 'entity.too.large') {
    return tooLarge();
  }
  if (type === 'encoding.unsupported')
    return new ServiceError('ERR_MEDIA_TYPE', 'Send the body as it is, or compressed with gzip or deflate.');
  if (typeof status === 'number' && status >= 400 && status < 500) {
    return new ServiceError('ERR_BAD_REQUEST', 'The request cannot be read. Check its length, compression and percent-encoding.');
  }
  return undefined;
}
