import { createServer, type IncomingHttpHeaders, type RequestListener, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import { EhrClient, type EhrClientOptions } from '../../src/forward/ehr-client.ts';

let server: Server | undefined;
let client: EhrClient | undefined;
afterEach(async () => {
  await client?.close();
  client = undefined;
  server?.closeAllConnections();
  await new Promise((resolve) => (server === undefined ? resolve(undefined) : server.close(resolve)));
  server = undefined;
});

async function clientOf(listener: RequestListener, options: Partial<EhrClientOptions> = {}): Promise<EhrClient> {
  server = createServer(listener).listen(0, '127.0.0.1');
  await new Promise((resolve) => server?.once('listening', resolve));
  client = new EhrClient({ baseUrl: `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir/`, timeoutMs: 2_000, ...options });
  return client;
}

describe('a call', () => {
  it('posts to the base itself with the headers that FHIR and tracing need', async () => {
    let seen: { url: string | undefined; method: string | undefined; headers: IncomingHttpHeaders } | undefined;
    const ehr = await clientOf(
      (request, response) => {
        seen = { url: request.url, method: request.method, headers: request.headers };
        response.end('{}');
      },
      { authorization: { header: () => Promise.resolve('Bearer abc'), refused: () => undefined } },
    );
    expect(await ehr.postBundle('{"a":70.0}', 'outbox-5-1')).toEqual({ kind: 'answer', status: 200, text: '{}' });
    expect(seen).toMatchObject({
      url: '/fhir',
      method: 'POST',
      headers: {
        'content-type': 'application/fhir+json',
        accept: 'application/fhir+json',
        prefer: 'return=minimal',
        'x-request-id': 'outbox-5-1',
        authorization: 'Bearer abc',
        'content-length': '10',
      },
    });
  });

  it('searches below the base and sends no authorization when there is none', async () => {
    let seen: { url: string | undefined; authorization: string | undefined } | undefined;
    const ehr = await clientOf((request, response) => {
      seen = { url: request.url, authorization: request.headers.authorization };
      response.writeHead(429, { 'retry-after': '7' }).end();
    });
    expect(await ehr.search('Observation', 'identifier=a%7Cb', 'r')).toEqual({ kind: 'answer', status: 429, text: '', retryAfter: '7' });
    expect(seen).toEqual({ url: '/fhir/Observation?identifier=a%7Cb', authorization: undefined });
  });

  it('does not leave when there is no token', async () => {
    let calls = 0;
    const ehr = await clientOf(
      (_request, response) => {
        calls += 1;
        response.end();
      },
      { authorization: { header: () => Promise.reject(new Error('token endpoint says: secret')), refused: () => undefined } },
    );
    expect(await ehr.postBundle('{}', 'r')).toEqual({ kind: 'unsent', cause: 'no access token' });
    expect(calls).toBe(0);
  });

  it('is unclear when no answer comes in time', async () => {
    const ehr = await clientOf(() => undefined, { timeoutMs: 60 });
    expect(await ehr.postBundle('{}', 'r')).toEqual({ kind: 'unclear', cause: 'TimeoutError' });
  });

  it('is unclear when the connection is reset', async () => {
    const ehr = await clientOf((request) => request.socket.resetAndDestroy());
    expect(await ehr.postBundle('{}', 'r')).toMatchObject({ kind: 'unclear' });
  });

  it('ends early when told to stop', async () => {
    const stop = new AbortController();
    const ehr = await clientOf(() => stop.abort());
    expect(await ehr.postBundle('{}', 'r', stop.signal)).toEqual({ kind: 'unclear', cause: 'AbortError' });
  });
});

describe('a body', () => {
  it.each<readonly [string, RequestListener]>([
    ['longer than the limit', (_request, response) => void response.end('x'.repeat(2_000))],
    [
      'without end',
      (_request, response) => {
        const timer = setInterval(() => response.write('x'.repeat(100)), 1);
        response.once('close', () => clearInterval(timer));
      },
    ],
    ['that is not UTF-8', (_request, response) => void response.end(Buffer.from([0x7b, 0xff, 0x7d]))],
    [
      'that breaks off',
      (_request, response) => {
        response.writeHead(200, { 'content-length': '100' });
        response.write('{', () => response.socket?.destroy());
      },
    ],
    ['that drips beyond the timeout', (_request, response) => void response.write('{')],
  ])('%s is not read, and the status is kept', async (_title, listener) => {
    const ehr = await clientOf(listener, { longestAnswerBytes: 1_000, timeoutMs: 300 });
    expect(await ehr.postBundle('{}', 'r')).toEqual({ kind: 'answer', status: 200 });
  });
});

it.each([
  '',
  'ehr.example/fhir',
  'ftp://ehr.example/fhir',
  'http://u:p@ehr.example/fhir',
  'http://ehr.example/fhir?x=1',
  'http://ehr.example/fhir#x',
])('refuses the base %s without repeating it', (baseUrl) => {
  expect(() => new EhrClient({ baseUrl })).toThrow(
    new TypeError('the EHR base must be an http or https URL without user, query or fragment'),
  );
});
