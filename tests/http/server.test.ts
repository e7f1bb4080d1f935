import { once } from 'node:events';
import { connect } from 'node:net';
import { describe, expect, test } from 'vitest';
import { LIMITS, createHttpServer } from '../../src/http/server.ts';
import { raw } from './bare-socket.ts';
import { startEdge } from './edge.ts';

describe('the server', () => {
  test('gives slow callers little time', () => {
    const { headersTimeout, requestTimeout, keepAliveTimeout, maxConnections } = createHttpServer();
    expect({ headersTimeout, requestTimeout, keepAliveTimeout }).toEqual({
      headersTimeout: 10_000,
      requestTimeout: 30_000,
      keepAliveTimeout: 75_000,
    });
    expect(maxConnections).toBe(2000);
  });

  test.each([
    ['what is no HTTP', 'HELLO\r\n\r\n'],
    [
      'two lengths',
      'POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /fhir/metadata HTTP/1.1\r\nHost: x\r\n\r\n',
    ],
    ['a line feed in a header', 'GET /fhir/metadata HTTP/1.1\r\nHost: x\r\nX-A: b\nc\r\n\r\n'],
  ])('answers %s with 400 and an OperationOutcome, once', async (_, text) => {
    const edge = await startEdge();
    const answer = await raw(edge.port, text);
    expect(answer.match(/HTTP\/1\.1 \d{3}/g)).toEqual(['HTTP/1.1 400']);
    expect(answer).toContain('"resourceType":"OperationOutcome"');
    expect(answer).toContain('Connection: close');
  });

  test('asks for a Host header', async () => {
    const edge = await startEdge();
    const answer = await raw(edge.port, 'GET /fhir/metadata HTTP/1.1\r\nConnection: close\r\n\r\n');
    expect(answer).toMatch(/^HTTP\/1\.1 400 /);
    expect(answer).toContain('http.host');
  });

  test('answers a body that comes too slowly with 408 and lets go', async () => {
    const edge = await startEdge({ limits: { ...LIMITS, headersTimeout: 100, requestTimeout: 150, connectionsCheckingInterval: 20 } });
    const answer = await raw(
      edge.port,
      'POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 10\r\n\r\n{',
    );
    expect(answer).toMatch(/^HTTP\/1\.1 408 /);
    expect(answer).toContain('"code":"timeout"');
  });

  test('outlives a caller who goes away in the middle of a body', async () => {
    const edge = await startEdge();
    const socket = connect(edge.port, '127.0.0.1');
    await once(socket, 'connect');
    socket.write('POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 10\r\n\r\n{');
    await once(socket, 'drain', { signal: AbortSignal.timeout(50) }).catch(() => undefined);
    socket.resetAndDestroy();
    await once(socket, 'close');
    expect((await edge.call('GET', '/health/live')).status).toBe(200);
    expect(edge.logLines.filter((line) => line.includes('fault'))).toEqual([]);
  });
});
