/** Token endpoints that are down, slow, hostile or wrong: no token, a cause in words, and no storm. */
import { mkdtempSync, writeFileSync } from 'node:fs';
import { createServer, type RequestListener, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeAll, beforeEach, describe, expect, it } from 'vitest';
import { NoAccessToken } from '../../src/forward/authorization.ts';
import { KeyFile } from '../../src/forward/key-file.ts';
import { TokenClient } from '../../src/forward/token-client.ts';
import { closed, keyPair, listening, SCOPE } from './authorization-server.ts';
import { keptLog, type KeptLog } from './kept-log.ts';

const NOON = Date.parse('2026-03-02T12:00:00Z');
const path = join(mkdtempSync(join(tmpdir(), 'steelyard-endpoint-')), 'key.json');
const closing: (() => Promise<void>)[] = [];
let log: KeptLog;
let nowMs: number;
let calls: number;
let last: Server | undefined;
beforeAll(async () => writeFileSync(path, JSON.stringify((await keyPair('ES384', 'first')).privateKey)));
beforeEach(() => {
  log = keptLog();
  nowMs = NOON;
  calls = 0;
});
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
});

async function clientAt(listener: RequestListener, timeoutMs = 2_000): Promise<TokenClient> {
  const server = createServer((request, response) => {
    calls += 1;
    response.setHeader('date', new Date(NOON).toUTCString());
    listener(request, response);
  });
  await listening(server);
  last = server;
  closing.push(() => closed(server));
  return clientFor(`http://127.0.0.1:${(server.address() as AddressInfo).port}/token`, timeoutMs);
}

async function clientFor(tokenUrl: string, timeoutMs = 2_000): Promise<TokenClient> {
  const keys = await KeyFile.open(path, log);
  const client = new TokenClient({ tokenUrl, clientId: 'ward', scope: SCOPE, keys, clock: { nowMs: () => nowMs }, log, timeoutMs });
  closing.push(() => client.close());
  return client;
}

const outcomeOf = (client: TokenClient): Promise<string> =>
  client.header().catch((error: unknown) => {
    if (error instanceof NoAccessToken) return error.message;
    throw error;
  });

const SECRET = 'what-the-server-says-4711';
const grants =
  (answer: object): RequestListener =>
  (_request, response) =>
    void response.end(JSON.stringify({ access_token: SECRET, token_type: 'Bearer', ...answer }));
const answers =
  (status: number, body: string, headers: Readonly<Record<string, string>> = {}): RequestListener =>
  (_request, response) =>
    void response.writeHead(status, headers).end(body);

describe('an endpoint', () => {
  const NO_TOKEN = 'the token endpoint answers 200 with something that is no bearer token';
  it.each<readonly [string, RequestListener, string]>([
    ['with a page for people', answers(200, `<html>${SECRET}</html>`, { 'content-type': 'text/html' }), NO_TOKEN],
    ['with an answer beyond measure', answers(200, `{"access_token":"${'x'.repeat(70_000)}","token_type":"bearer"}`), NO_TOKEN],
    ['with a token that could break a header', grants({ access_token: `a\r\nx: ${SECRET}` }), NO_TOKEN],
    ['with a token of another type', grants({ token_type: 'mac' }), NO_TOKEN],
    ['with no token', answers(200, '{"token_type":"bearer"}'), NO_TOKEN],
    ['with an answer that is no object', answers(200, `["${SECRET}"]`), NO_TOKEN],
    [
      'that breaks off',
      (_request, response) => void response.writeHead(200, { 'content-length': '99' }).write('{', () => response.destroy()),
      NO_TOKEN,
    ],
    ['that is not UTF-8', (_request, response) => void response.end(Buffer.from([0x7b, 0xff])), NO_TOKEN],
    [
      'that redirects',
      answers(302, '', { location: 'http://127.0.0.1:9/elsewhere' }),
      'the token endpoint redirects, which is never followed (status 302)',
    ],
    [
      'that redirects a POST',
      answers(307, '', { location: '/token' }),
      'the token endpoint redirects, which is never followed (status 307)',
    ],
    ['that fails', answers(500, SECRET), 'the token endpoint answers with status 500'],
    ['that is not there', answers(404, `<h1>${SECRET}</h1>`), 'the token endpoint answers with status 404'],
    ['with an error of its own making', answers(400, `{"error":"${SECRET}"}`), 'the token endpoint answers with status 400'],
    [
      'with an error named like what every object has',
      answers(400, '{"error":"constructor"}'),
      'the token endpoint answers with status 400',
    ],
    [
      'that knows another client',
      answers(401, `{"error":"invalid_client","error_description":"${SECRET}"}`),
      'the token endpoint refuses: it does not accept our client id or the signature of our key (invalid_client) (status 401)',
    ],
    [
      'that grants no such scope',
      answers(400, '{"error":"invalid_scope"}'),
      'the token endpoint refuses: it does not grant the scopes of STEELYARD_EHR_SCOPE (invalid_scope) (status 400)',
    ],
    ['that is busy', answers(429, ''), 'the token endpoint asks to be tried later (status 429)'],
    ['that hangs up', (request) => void request.socket.destroy(), 'the token endpoint was not reached (UND_ERR_SOCKET)'],
  ])('%s gives no token and no word of its own', async (_what, listener, cause) => {
    const client = await clientAt(listener);
    expect(await outcomeOf(client)).toBe(cause);
    expect(log.lines('error')).toEqual([`no access token: ${cause}`]);
    expect([calls, log.text().includes(SECRET)]).toEqual([1, false]);
  });

  it('that never answers is given up after its time', async () => {
    const client = await clientAt(() => undefined, 60);
    expect(await outcomeOf(client)).toBe('the token endpoint gave no answer in time');
  });

  it('that drips is given up after its time', async () => {
    const client = await clientAt((_request, response) => void response.write('{"access_token":"'), 60);
    expect(await outcomeOf(client)).toBe(NO_TOKEN);
  });

  it('that is down is said to be not reached', async () => {
    const client = await clientAt(() => undefined);
    if (last !== undefined) await closed(last);
    closing.splice(0, 1);
    expect(await outcomeOf(client)).toBe('the token endpoint was not reached (ECONNREFUSED)');
  });
});

describe('after a failure', () => {
  it('all who ask within a second get the same answer from one request, then it is asked again', async () => {
    let isUp = false;
    const client = await clientAt((request, response) => {
      if (isUp) grants({ expires_in: 300 })(request, response);
      else response.writeHead(500).end();
    });
    const outcomes = await Promise.all(Array.from({ length: 20 }, () => outcomeOf(client)));
    outcomes.push(await outcomeOf(client));
    expect([new Set(outcomes), calls]).toEqual([new Set(['the token endpoint answers with status 500']), 1]);
    isUp = true;
    nowMs += 1_001;
    expect(await outcomeOf(client)).toBe(`Bearer ${SECRET}`);
    expect(log.lines('info')).toEqual(['the EHR grants access tokens again']);
  });

  it('the endpoint is left alone for as long as it asks, within five minutes', async () => {
    const client = await clientAt(answers(503, '', { 'retry-after': '3600' }));
    await outcomeOf(client);
    nowMs += 299_000;
    await outcomeOf(client);
    expect(calls).toBe(1);
    nowMs += 2_000;
    await outcomeOf(client);
    expect(calls).toBe(2);
  });

  it('the log says it once', async () => {
    const client = await clientAt(answers(500, ''));
    for (let time = 0; time < 3; time += 1) {
      await outcomeOf(client);
      nowMs += 2_000;
    }
    expect([calls, log.lines('error').length]).toEqual([3, 1]);
  });
});

describe('closing', () => {
  it('does not wait for an endpoint that does not answer, and complains of nothing', async () => {
    let arrived: () => void = () => undefined;
    const isThere = new Promise<void>((resolve) => (arrived = resolve));
    const client = await clientAt(() => arrived(), 60_000);
    const outcome = outcomeOf(client);
    await isThere;
    await client.close();
    expect(await outcome).toBe('the token endpoint was not reached (UND_ERR_DESTROYED)');
    expect(log.lines('error')).toEqual([]);
  });
});

describe('the life of a token', () => {
  it.each<readonly [string, object, number]>([
    ['said as a number', { expires_in: 300 }, 270],
    ['said as a text', { expires_in: '300' }, 270],
    ['that is short', { expires_in: 30 }, 20],
    ['not said', {}, 40],
    ['said as nonsense', { expires_in: -5 }, 40],
  ])('%s decides when it is renewed', async (_what, answer, seconds) => {
    const client = await clientAt(grants(answer));
    await outcomeOf(client);
    nowMs = NOON + seconds * 1_000 - 1;
    await outcomeOf(client);
    expect(calls).toBe(1);
    nowMs += 1;
    await outcomeOf(client);
    expect(calls).toBe(2);
  });

  it('of no time at all makes a token for one use', async () => {
    const client = await clientAt(grants({ expires_in: 0 }));
    expect([await outcomeOf(client), await outcomeOf(client), calls]).toEqual([`Bearer ${SECRET}`, `Bearer ${SECRET}`, 2]);
  });
});
