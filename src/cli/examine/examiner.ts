/**
 * Stands in front of a service as the service that a gateway posts to: passes calls on, brings
 * faults about, and notes what came. Listens on loopback unless told otherwise.
 */
import { once } from 'node:events';
import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { setTimeout as pause } from 'node:timers/promises';
import { handsOver, keyOf, type Exchange } from './exchange.ts';
import { FaultPlan, type FaultName, type FaultTimes } from './faults.ts';

export interface ExaminerOptions {
  /** FHIR base of the service that calls are passed on to, without a slash at its end. */
  readonly service: string;
  readonly port: number;
  readonly times: FaultTimes;
  readonly clock: { readonly nowMs: () => number };
  readonly onExchange?: (exchange: Exchange, faultsLeft: number) => void;
}

export interface Examiner {
  /** FHIR base that the gateway is to post to. */
  readonly url: string;
  readonly exchanges: readonly Exchange[];
  close(): Promise<void>;
}

const LARGEST_BODY_BYTES = 5 * 1024 * 1024;
const BASE = '/fhir';
/** Of one connection only (RFC 9110 section 7.6.1), or made anew. */
const NOT_PASSED_ON = new Set([
  'connection',
  'keep-alive',
  'host',
  'content-length',
  'transfer-encoding',
  'expect',
  'accept-encoding',
  'content-encoding',
]);

export async function startExaminer(options: ExaminerOptions): Promise<Examiner> {
  const exchanges: Exchange[] = [];
  const plan = new FaultPlan();
  const server = createServer((req, res) => {
    attend(req, res, plan, options)
      .then((exchange) => {
        exchanges.push(exchange);
        options.onExchange?.(exchange, plan.left);
      })
      .catch(() => res.destroy());
  });
  server.listen(options.port, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  return { url: `http://127.0.0.1:${port}${BASE}`, exchanges, close: () => closeWhole(server) };
}

async function closeWhole(server: Server): Promise<void> {
  server.close();
  server.closeAllConnections();
  await once(server, 'close').catch(() => undefined);
}

interface Answer {
  readonly status: number;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: Buffer;
}

async function attend(req: IncomingMessage, res: ServerResponse, plan: FaultPlan, options: ExaminerOptions): Promise<Exchange> {
  const { clock, times } = options;
  const arrivedMs = clock.nowMs();
  const body = await bodyOf(req);
  const path = (req.url ?? '').startsWith(BASE) ? (req.url ?? '').slice(BASE.length) || '/' : undefined;
  const method = req.method ?? '';
  const asked = { method, path: path ?? req.url ?? '', headers: headersOf(req), body, arrivedMs };
  const fault = path !== undefined && handsOver(asked) ? plan.next(keyOf(asked)) : undefined;
  const answer = path === undefined ? outcome(404, 'not-found', `The FHIR base is ${BASE}.`) : await answerTo(asked, fault, options);
  if (fault === 'slow') await pause(times.slowMs);
  const isGone = res.destroyed;
  const notes = {
    ...(fault && { fault }),
    ...(fault && isTold(fault) && { notBeforeMs: Date.parse(answer.headers['x-not-before'] ?? '') }),
  };
  if (fault === 'lost') res.destroy();
  else if (!isGone) {
    const { 'x-not-before': _, ...headers } = answer.headers;
    res.writeHead(answer.status, { ...headers, 'Content-Length': String(answer.body.length) }).end(answer.body);
  }
  const isAnswered = fault !== 'lost' && !isGone;
  return { ...asked, endedMs: clock.nowMs(), ...(isAnswered && { status: answer.status }), ...notes };
}

const isTold = (fault: FaultName): boolean => fault === 'busy' || fault === 'throttled';

async function answerTo(
  asked: Pick<Exchange, 'method' | 'path' | 'headers' | 'body'>,
  fault: FaultName | undefined,
  options: ExaminerOptions,
): Promise<Answer> {
  const { clock, times } = options;
  switch (fault) {
    case 'busy': {
      const notBefore = clock.nowMs() + times.retryAfterSeconds * 1000;
      const answer = outcome(503, 'transient', 'Examination: the store is busy. Nothing was stored; send it again.');
      return {
        ...answer,
        headers: { ...answer.headers, 'Retry-After': String(times.retryAfterSeconds), 'x-not-before': new Date(notBefore).toISOString() },
      };
    }
    case 'throttled': {
      // an HTTP date has whole seconds
      const notBefore = new Date(Math.ceil((clock.nowMs() + times.retryAfterSeconds * 1000) / 1000) * 1000);
      const answer = outcome(429, 'throttled', 'Examination: too many requests. Nothing was stored; send it later.');
      return { ...answer, headers: { ...answer.headers, 'Retry-After': notBefore.toUTCString(), 'x-not-before': notBefore.toISOString() } };
    }
    case 'refused':
      return outcome(422, 'business-rule', 'Examination: refused, as if a rule had refused it. Do not send it again unchanged.');
    case 'held': {
      const passed = await passOn(asked, options);
      // what the service itself refuses or cannot take stays as it is
      return passed.status >= 300
        ? passed
        : { ...outcome(202, 'informational', 'Examination: held, as if it were doubtful. Weigh again.', 'warning') };
    }
    default:
      return passOn(asked, options);
  }
}

async function passOn(
  { method, path, headers, body }: Pick<Exchange, 'method' | 'path' | 'headers' | 'body'>,
  { service }: ExaminerOptions,
): Promise<Answer> {
  const sent = Object.entries(headers).flatMap(([name, value]): [string, string][] =>
    value === undefined || NOT_PASSED_ON.has(name) ? [] : [[name, value]],
  );
  const hasBody = method !== 'GET' && method !== 'HEAD';
  const coding = headers['content-encoding'];
  const answer = await fetch(`${service}${path === '/' ? '' : path}`, {
    method,
    headers: [...sent, ...(coding === undefined ? [] : [['content-encoding', coding] as [string, string]])],
    redirect: 'manual',
    ...(hasBody && { body: new Uint8Array(body) }),
  });
  const kept = [...answer.headers].filter(([name]) => !NOT_PASSED_ON.has(name));
  return { status: answer.status, headers: Object.fromEntries(kept), body: Buffer.from(await answer.arrayBuffer()) };
}

function outcome(status: number, code: string, diagnostics: string, severity = 'error'): Answer {
  const body = JSON.stringify({ resourceType: 'OperationOutcome', issue: [{ severity, code, diagnostics }] });
  return { status, headers: { 'Content-Type': 'application/fhir+json; charset=utf-8' }, body: Buffer.from(body) };
}

async function bodyOf(req: IncomingMessage): Promise<Buffer> {
  const chunks: Buffer[] = [];
  let bytes = 0;
  for await (const chunk of req as AsyncIterable<Buffer>) {
    bytes += chunk.length;
    if (bytes > LARGEST_BODY_BYTES) throw new Error('the body is larger than any that the service takes');
    chunks.push(chunk);
  }
  return Buffer.concat(chunks);
}

function headersOf({ headers }: IncomingMessage): Exchange['headers'] {
  return Object.fromEntries(Object.entries(headers).map(([name, value]) => [name, Array.isArray(value) ? value.join(', ') : value]));
}
