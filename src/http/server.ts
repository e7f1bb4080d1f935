/**
 * The listening side: limits of the HTTP server, and answers to requests that never reach the app.
 */
import { once } from 'node:events';
import { createServer, type RequestListener, type Server, type ServerOptions, type ServerResponse } from 'node:http';
import type { Duplex } from 'node:stream';
import { ServiceError, toServiceOutcome, type ErrorCode } from '../errors.ts';
import { makeRoomForConnections, MOST_CONNECTIONS } from './connections.ts';

/**
 * Node 20's own limits are 60 s for headers, 300 s for a request and a check every 30 s: enough
 * for a few slow callers to hold every slot. `requestTimeout` is for headers and body together,
 * however many bytes a second come.
 */
export const LIMITS = {
  headersTimeout: 10_000,
  requestTimeout: 30_000,
  keepAliveTimeout: 75_000,
  connectionsCheckingInterval: 2_000,
  maxHeaderSize: 16 * 1024,
  // the app asks for Host itself: node's own refusal has no body
  requireHostHeader: false,
} as const;

/**
 * From the first line of a request to the last byte of its answer. Node gives an answer any time,
 * so that a caller who never reads would hold it for good. Common practice, no source: a request
 * may come for half of it.
 */
export const LONGEST_EXCHANGE_MS = 60_000;

export interface ServerLimits extends ServerOptions {
  readonly longestExchangeMs?: number;
}

/** A server without an app yet: attach one once the address is known. */
export function createHttpServer({ longestExchangeMs = LONGEST_EXCHANGE_MS, ...limits }: ServerLimits = LIMITS): Server {
  const server = createServer(limits);
  // node drops headers beyond its count silently; here the app refuses, and the size bounds the count
  server.maxHeadersCount = 0;
  server.maxConnections = MOST_CONNECTIONS;
  makeRoomForConnections(server);
  server.on('request', ({ socket }, res) => {
    const cutOff = setTimeout(() => socket.destroy(), longestExchangeMs);
    res.once('close', () => clearTimeout(cutOff));
  });
  return server;
}

/** Gives the server its app. Call it in the tick in which the server began to listen, or before. */
export function attachApp(server: Server, app: RequestListener): void {
  const answering = new WeakMap<Duplex, ServerResponse>();
  const listener: RequestListener = (req, res) => {
    answering.set(req.socket, res);
    app(req, res);
  };
  server.on('request', listener);
  // the app answers 417 with an OperationOutcome; node's own answer has no body
  server.on('checkExpectation', listener);
  // node closes the connection without a word
  server.on('connect', (_req, socket) => socket.end(rawAnswer('ERR_METHOD')));
  server.on('clientError', (error: NodeJS.ErrnoException, socket) => {
    const res = answering.get(socket);
    // an answer that is under way, or was given before the whole request was here, is not followed by another
    const isMidAnswer = res !== undefined && res.headersSent && !(res.writableFinished && res.req.complete);
    if (!socket.writable || error.code === 'ECONNRESET' || isMidAnswer) {
      socket.destroy();
      return;
    }
    socket.end(rawAnswer(CLIENT_ERRORS[error.code ?? ''] ?? 'ERR_BAD_REQUEST'));
  });
}

/** What node's parser and timers report, by its code. */
const CLIENT_ERRORS: Readonly<Record<string, keyof typeof RAW_MESSAGES | undefined>> = {
  HPE_HEADER_OVERFLOW: 'ERR_HEADERS_TOO_LARGE',
  ERR_HTTP_REQUEST_TIMEOUT: 'ERR_TIMEOUT',
};

const RAW_MESSAGES = {
  ERR_HEADERS_TOO_LARGE: 'The headers are too large.',
  ERR_TIMEOUT: 'The request came too slowly. Send it again.',
  ERR_METHOD: 'This is no proxy: nothing is connected to another host.',
  ERR_BAD_REQUEST: 'This is no HTTP request that can be read.',
} as const satisfies Partial<Record<ErrorCode, string>>;

function rawAnswer(code: keyof typeof RAW_MESSAGES): string {
  const error = new ServiceError(code, RAW_MESSAGES[code]);
  const body = JSON.stringify(toServiceOutcome(error));
  return [
    `HTTP/1.1 ${error.row.status} ${error.row.title}`,
    'Content-Type: application/fhir+json; charset=utf-8',
    `Content-Length: ${Buffer.byteLength(body)}`,
    'Cache-Control: no-store',
    'X-Content-Type-Options: nosniff',
    ...(code === 'ERR_METHOD' ? ['Allow: GET, HEAD, POST, PUT'] : []),
    'Connection: close',
    '',
    body,
  ].join('\r\n');
}

const IDLE_CHECK_MS = 50;

/** Takes no more connections and resolves when all are closed; those that take longer than `boundMs` are cut off. */
export async function closeServer(server: Server, boundMs: number): Promise<void> {
  const closed = once(server, 'close');
  server.close();
  // a connection that goes idle after its last answer would otherwise stay open until its keep-alive ends
  const idle = setInterval(() => server.closeIdleConnections(), IDLE_CHECK_MS);
  const cutOff = setTimeout(() => server.closeAllConnections(), boundMs);
  await closed;
  clearInterval(idle);
  clearTimeout(cutOff);
}
