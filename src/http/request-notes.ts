/**
 * What is noted of a request while it is served, and reported once it is answered.
 */
import { randomUUID } from 'node:crypto';
import { FHIR_PATH } from '../addresses.ts';
import { ANYBODY, type Call, type Caller } from '../caller.ts';
import { NO_TRACER, type Span } from '../tracer.ts';
import { RequestLog } from './request-log.ts';
import type { RequestHandler, Response, Serving } from './serving.ts';

export interface RequestNotes {
  readonly requestId: string;
  /** Pattern of the route that took the request. */
  route: string;
  /** Who calls, once that is known. */
  caller: Caller;
  /** Whose limits count, when somebody looks at a page: the digest of their session. */
  visitor?: string;
  /** An audit event that speaks of the call as a whole is committed. */
  isAudited: boolean;
  /** Keys of people whom it concerns and whom neither the address nor the answer names. */
  readonly concerned: string[];
  /** Of our work on it, while calls are traced. */
  readonly traceParent?: string | undefined;
  readonly verdicts: string[];
  readonly ruleIds: Set<string>;
  /** Entries of a batch that the caller was not allowed, whatever became of the others. */
  readonly forbiddenEntries: ForbiddenEntry[];
}

/** What an entry of a batch asked for. */
export interface ForbiddenEntry {
  readonly interaction: 'create' | 'update';
  /** What it names: `Observation/w1`; absent for what has no id yet. */
  readonly place?: string;
}

const NOTES = new WeakMap<Response, RequestNotes>();
const SANE_REQUEST_ID = /^[A-Za-z0-9._-]{1,64}$/;
/** Asked every few seconds: nobody wants a trace of each. */
const PROBE = /^\/(health\/|metrics$)/;
const METHODS = new Set(['GET', 'HEAD', 'POST', 'PUT', 'PATCH', 'DELETE', 'OPTIONS', 'TRACE']);

/** The notes of the request that `res` answers. Throws when `keepNotes` has not run: a bug. */
export function notesOf(res: Response): RequestNotes {
  const notes = NOTES.get(res);
  if (!notes) throw new Error('no notes are kept of this request');
  return notes;
}

/** What the use case is told of the request that `res` answers. */
export function callOf(res: Response): Call {
  const notes = notesOf(res);
  const { requestId, caller, traceParent } = notes;
  return { requestId, caller, noteAudited: () => void (notes.isAudited = true), ...(traceParent !== undefined && { traceParent }) };
}

/** First of all middleware: gives the request its id, and logs and counts the answer at its end. */
export function keepNotes({
  log,
  metrics,
  isStopping,
  tracer = NO_TRACER,
}: Pick<Serving, 'log' | 'metrics' | 'isStopping' | 'tracer'>): RequestHandler {
  const lines = new RequestLog(log);
  return (req, res, next) => {
    const startedAt = performance.now();
    const asked = req.get('x-request-id');
    const span = (PROBE.test(req.path) ? NO_TRACER : tracer).begin({ name: 'request', kind: 'server', parent: req.get('traceparent') });
    const notes: RequestNotes = {
      requestId: asked !== undefined && SANE_REQUEST_ID.test(asked) ? asked : randomUUID(),
      route: 'none',
      caller: ANYBODY,
      isAudited: false,
      concerned: [],
      traceParent: span.traceParent,
      verdicts: [],
      ruleIds: new Set(),
      forbiddenEntries: [],
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
      endSpan(span, { method, route, status, verdicts, ruleIds });
      // a probe is no gateway, and who was turned away at the door is nobody that we know
      if (route.startsWith(FHIR_PATH) && status !== 401)
        metrics.heard({ client: notes.caller.client, date: req.get('date'), agoMs: durationMs });
    });
    next();
  };
}

type Answered = Pick<RequestNotes, 'route' | 'verdicts'> & { readonly method: string; readonly status: number; readonly ruleIds: string[] };

/** Names as in the OpenTelemetry semantic conventions for HTTP, "HTTP server", and our own. */
function endSpan(span: Span, { method, route, status, verdicts, ruleIds }: Answered): void {
  span.rename(`${method} ${route}`);
  span.note({
    'http.request.method': method,
    'http.route': route,
    'http.response.status_code': status,
    ...(verdicts.length > 0 && { 'steelyard.verdicts': verdicts }),
    ...(ruleIds.length > 0 && { 'steelyard.rules': ruleIds }),
  });
  if (status >= 500) span.fail(String(status));
  span.end();
}
