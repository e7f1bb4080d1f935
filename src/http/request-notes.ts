/**
 * What is noted of a request while it is served, and reported once it is answered.
 */
import { randomUUID } from 'node:crypto';
import { ANYBODY, type Call, type Caller } from '../caller.ts';
import { RequestLog } from './request-log.ts';
import type { RequestHandler, Response, Serving } from './serving.ts';

export interface RequestNotes {
  readonly requestId: string;
  /** Pattern of the route that took the request. */
  route: string;
  /** Who calls, once that is known. */
  caller: Caller;
  readonly verdicts: string[];
  readonly ruleIds: Set<string>;
}

const NOTES = new WeakMap<Response, RequestNotes>();
const SANE_REQUEST_ID = /^[A-Za-z0-9._-]{1,64}$/;
const METHODS = new Set(['GET', 'HEAD', 'POST', 'PUT', 'PATCH', 'DELETE', 'OPTIONS', 'TRACE']);

/** The notes of the request that `res` answers. Throws when `keepNotes` has not run: a bug. */
export function notesOf(res: Response): RequestNotes {
  const notes = NOTES.get(res);
  if (!notes) throw new Error('no notes are kept of this request');
  return notes;
}

/** What the use case is told of the request that `res` answers. */
export function callOf(res: Response): Call {
  const { requestId, caller } = notesOf(res);
  return { requestId, caller };
}

/** First of all middleware: gives the request its id, and logs and counts the answer at its end. */
export function keepNotes({ log, metrics, isStopping }: Pick<Serving, 'log' | 'metrics' | 'isStopping'>): RequestHandler {
  const lines = new RequestLog(log);
  return (req, res, next) => {
    const startedAt = performance.now();
    const asked = req.get('x-request-id');
    const notes: RequestNotes = {
      requestId: asked !== undefined && SANE_REQUEST_ID.test(asked) ? asked : randomUUID(),
      route: 'none',
      caller: ANYBODY,
      verdicts: [],
      ruleIds: new Set(),
    };
    NOTES.set(res, notes);
    res.set('X-Request-Id', notes.requestId);
    if (isStopping()) res.set('Connection', 'close');
    res.once('close', () => {
      const { requestId, route, verdicts } = notes;
      const ruleIds = [...notes.ruleIds];
      // 499: the caller went away before there was an answer (common practice, no source)
      const status = res.headersSent ? res.statusCode : 499;
      const method = METHODS.has(req.method) ? req.method : 'other';
      const durationMs = Math.round((performance.now() - startedAt) * 1000) / 1000;
      lines.answered({
        requestId,
        method,
        route,
        status,
        durationMs,
        ...(verdicts.length > 0 && { verdicts }),
        ...(ruleIds.length > 0 && { ruleIds }),
      });
      metrics.request({ method, route, status, durationMs });
    });
    next();
  };
}
