/**
 * The listening side: limits of the HTTP server, and answers to requests that never reach the app.
 */
import { createServer, type RequestListener, type Server, type ServerOptions, type ServerResponse } from 'node:http';
import type { Duplex } from 'node:stream';
import { ServiceError, toServiceOutcome, type ErrorCode } from '../errors.ts';

/**
 * Node 20's own limits are 60 s for headers, 300 s for a request and a check every 30 s: enough
 * for a few slow callers to hold every slot.
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

const MOST_CONNECTIONS = 2_000;

/** A server without an app yet: attach one once the address is known. */
export function createHttpServer(limits: ServerOptions = LIMITS): Server {
  const server = createServer(limits);
  // node drops headers beyond its count silently; here the app refuses, and the size bounds the count
  server.maxHeadersCount = 0;
  server.maxConnections = MOST_CONNECTIONS;
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
  server.on('clientError', (error: NodeJS.ErrnoException, socket) => {
    const res = answering.get(socket);
    const isMidAnswer = res !== undefined && res.headersSent && !res.writableFinished;
    if (!socket.writable || error.code === 'ECONNRESET' || isMidAnswer) {
      socket.destroy();
      return;
    }
    socket.end(rawAnswer(error.code));
  });
}

function rawAnswer(code: string | undefined): string {
  const errorCode: ErrorCode =
    code === 'HPE_HEADER_OVERFLOW' ? 'ERR_HEADERS_TOO_LARGE' : code === 'ERR_HTTP_REQUEST_TIMEOUT' ? 'ERR_TIMEOUT' : 'ERR_BAD_REQUEST';
  const messages: Partial<Record<ErrorCode, string>> = {
    ERR_HEADERS_TOO_LARGE: 'The headers are too large.',
    ERR_TIMEOUT: 'The request came too slowly. Send it again.',
  };
  const error = new ServiceError(errorCode, messages[errorCode] ?? 'This is no HTTP request that can be read.');
  const body = JSON.stringify(toServiceOutcome(error));
  return [
    `HTTP/1.1 ${error.row.status} ${error.row.title}`,
    'Content-Type: application/fhir+json; charset=utf-8',
    `Content-Length: ${Buffer.byteLength(body)}`,
    'Cache-Control: no-store',
    'Connection: close',
    '',
    body,
  ].join('\r\n');
}
