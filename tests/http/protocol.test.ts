/** Requests that are odd or broken as HTTP: each has one fixed answer, and none is read in two ways. */
import { describe, expect, test } from 'vitest';
import { raw, statusesIn } from './bare-socket.ts';
import { startEdge } from './edge.ts';

const HOST = 'Host: ward\r\n';
const CLOSE = `${HOST}Connection: close\r\n`;
const get = (target: string, headers = CLOSE): string => `GET ${target} HTTP/1.1\r\n${headers}\r\n`;
const post = (headers: string, body: string): string =>
  `POST /fhir/Observation/$validate HTTP/1.1\r\n${HOST}Content-Type: application/fhir+json\r\n${headers}\r\n${body}`;
/** What a second request would be taken for, had the first one been cut elsewhere. */
const HIDDEN = 'GET /health/live HTTP/1.1\r\nHost: ward\r\nConnection: close\r\n\r\n';
const CHUNKED = '2\r\n{}\r\n0\r\n\r\n';

describe('a request whose length can be read in two ways is answered 400, once, and the connection closed:', () => {
  test.each([
    ['Content-Length before Transfer-Encoding', post('Content-Length: 4\r\nTransfer-Encoding: chunked\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['Transfer-Encoding before Content-Length', post('Transfer-Encoding: chunked\r\nContent-Length: 4\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['two lengths', post('Content-Length: 0\r\nContent-Length: 44\r\n', HIDDEN)],
    ['the same length twice', post('Content-Length: 2\r\nContent-Length: 2\r\n', `{}${HIDDEN}`)],
    ['a list of lengths', post('Content-Length: 2, 2\r\n', `{}${HIDDEN}`)],
    ['a signed length', post('Content-Length: +2\r\n', `{}${HIDDEN}`)],
    ['a negative length', post('Content-Length: -2\r\n', HIDDEN)],
    ['a length in hexadecimal', post('Content-Length: 0x2\r\n', `{}${HIDDEN}`)],
    ['a length beyond all numbers', post('Content-Length: 99999999999999999999999\r\n', HIDDEN)],
    ['another transfer coding', post('Transfer-Encoding: xchunked\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['chunked and then something else', post('Transfer-Encoding: chunked, identity\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['chunked twice', post('Transfer-Encoding: chunked, chunked\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['a coding around chunked', post('Transfer-Encoding: gzip, chunked\r\n', CHUNKED)],
    ['a blank before the colon', post('Transfer-Encoding : chunked\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['a vertical tab before the coding', post('Transfer-Encoding:\x0bchunked\r\n', `0\r\n\r\n${HIDDEN}`)],
    ['a chunk of no hexadecimal size', post('Transfer-Encoding: chunked\r\n', `zz\r\n{}\r\n0\r\n\r\n${HIDDEN}`)],
    ['a chunk beyond all numbers', post('Transfer-Encoding: chunked\r\n', `ffffffffffffffffff\r\n{}\r\n0\r\n\r\n${HIDDEN}`)],
    ['chunks that end with a line feed alone', post('Transfer-Encoding: chunked\r\n', `2\n{}\n0\n\n${HIDDEN}`)],
    ['an endless chunk extension', post('Transfer-Encoding: chunked\r\n', `2;${'a'.repeat(20_000)}\r\n{}\r\n0\r\n\r\n`)],
    ['chunks in HTTP/1.0', `POST /fhir HTTP/1.0\r\n${HOST}Transfer-Encoding: chunked\r\n\r\n${CHUNKED}`],
  ])('%s', async (_, text) => {
    const edge = await startEdge();
    const answer = await raw(edge.port, text);
    expect(statusesIn(answer)).toEqual([400]);
    expect(answer).toContain('"resourceType":"OperationOutcome"');
    expect(answer).toMatch(/^Connection: close\r$/im);
    expect(answer).not.toContain('live');
  });
});

describe('what is no request is answered 400 with an OperationOutcome:', () => {
  test.each([
    ['a method nobody knows', `FETCH /fhir HTTP/1.1\r\n${CLOSE}\r\n`],
    ['a method in small letters', `get /fhir HTTP/1.1\r\n${CLOSE}\r\n`],
    ['the preface of HTTP/2', 'PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n'],
    ['a later version', `GET /fhir/metadata HTTP/2.0\r\n${CLOSE}\r\n`],
    ['a folded header', get('/fhir/metadata', `${CLOSE}X-A: b\r\n c\r\n`)],
    ['a NUL in a header', get('/fhir/metadata', `${CLOSE}X-A: b\0c\r\n`)],
    ['a carriage return in a header', get('/fhir/metadata', `${CLOSE}X-A: b\rc\r\n`)],
    ['a blank in the name of a header', get('/fhir/metadata', `${CLOSE}X A: b\r\n`)],
    ['a header without a name', get('/fhir/metadata', `${CLOSE}: b\r\n`)],
    ['a NUL in the path', get('/fhir/meta\0data')],
    ['line feeds alone', 'GET /fhir/metadata HTTP/1.1\nHost: ward\nConnection: close\n\n'],
    ['two Hosts', get('/fhir/metadata', `${CLOSE}Host: other\r\n`)],
    ['a Host with a path', get('/fhir/metadata', 'Host: ward/fhir\r\nConnection: close\r\n')],
    ['a Host with a user', get('/fhir/metadata', 'Host: nurse@ward\r\nConnection: close\r\n')],
    ['two credentials', get('/fhir/metadata', `${CLOSE}Authorization: Bearer a\r\nAuthorization: Bearer b\r\n`)],
    ['two media types', post('Connection: close\r\nContent-Type: text/plain\r\nContent-Length: 2\r\n', '{}')],
    ['the first bytes of TLS', '\x16\x03\x01\x02\x00\x01\x00'],
  ])('%s', async (_, text) => {
    const edge = await startEdge();
    const answer = await raw(edge.port, text);
    expect(statusesIn(answer)).toEqual([400]);
    expect(answer).toContain('"resourceType":"OperationOutcome"');
  });
});

describe('what is HTTP and not served here:', () => {
  test.each([
    ['CONNECT', 'CONNECT ehr.example:443 HTTP/1.1\r\nHost: ehr.example:443\r\n\r\n', 405],
    ['PROPFIND', `PROPFIND /fhir/Observation HTTP/1.1\r\n${CLOSE}\r\n`, 405],
    ['QUERY', `QUERY /fhir/Observation HTTP/1.1\r\n${CLOSE}\r\n`, 405],
    ['OPTIONS for everything', `OPTIONS * HTTP/1.1\r\n${CLOSE}\r\n`, 404],
    ['another scheme', get('file:///etc/passwd'), 404],
    ['another host without a path', get('http://other.example'), 404],
  ])('%s is answered %3$i', async (_, text, status) => {
    const edge = await startEdge();
    const answer = await raw(edge.port, text);
    expect(statusesIn(answer)).toEqual([status]);
    expect(answer).toContain('"resourceType":"OperationOutcome"');
    if (status === 405) expect(answer).toMatch(/^Allow: /im);
  });

  test.each([
    ['a web socket', 'Upgrade: websocket\r\nSec-WebSocket-Key: x\r\nSec-WebSocket-Version: 13\r\n'],
    ['HTTP/2 in the clear', 'Upgrade: h2c\r\nHTTP2-Settings: AAMAAABkAARAAAAAAAIAAAAA\r\n'],
  ])('an upgrade to %s is passed over and the request served', async (_, headers) => {
    const edge = await startEdge();
    const text = get('/health/live', `${HOST}Connection: upgrade, close\r\n${headers}`);
    expect(statusesIn(await raw(edge.port, text))).toEqual([200]);
  });
});

test('the absolute form of a target is served as our own, whatever host it names', async () => {
  const edge = await startEdge();
  const answer = await raw(edge.port, get('http://other.example/fhir/metadata', 'Host: other.example\r\nConnection: close\r\n'));
  expect(statusesIn(answer)).toEqual([200]);
  expect(answer).not.toContain('other.example');
});

test('requests that are sent at once are answered in their order', async () => {
  const edge = await startEdge();
  const some = ['/health/live', '/fhir/nowhere', '/fhir/Observation/w1'].map((target) => get(target, HOST));
  const answer = await raw(edge.port, [...some, ...some, get('/health/live')].join(''));
  expect(statusesIn(answer)).toEqual([200, 404, 404, 200, 404, 404, 200]);
});

test('a declared length beyond the limit is answered 413 before the body comes', async () => {
  const edge = await startEdge();
  const answer = await raw(edge.port, post('Connection: close\r\nContent-Length: 9007199254740993\r\n', '{'));
  expect(statusesIn(answer)).toEqual([413]);
});

describe('HEAD', () => {
  test.each(['/fhir/metadata', '/fhir/Observation', '/health/live', '/rules', '/fhir/Observation/w1'])(
    '%s is answered as GET is, without the body',
    async (path) => {
      const edge = await startEdge();
      const [whole, head] = [await edge.call('GET', path), await edge.call('HEAD', path)];
      expect([head.status, head.text]).toEqual([whole.status, '']);
      expect(head.headers['content-type']).toBe(whole.headers['content-type']);
      // RFC 9110 section 8.6: it may be left out, but must not be another
      expect([whole.headers['content-length'], undefined]).toContain(head.headers['content-length']);
    },
  );
});

test('no page of another origin is let in, and no method is listed to it', async () => {
  const edge = await startEdge();
  const headers = {
    Origin: 'http://other.example',
    'Access-Control-Request-Method': 'POST',
    'Access-Control-Request-Headers': 'authorization',
  };
  for (const method of ['OPTIONS', 'GET', 'POST']) {
    const answer = await edge.call(method, '/fhir/Observation', { headers });
    expect(Object.keys(answer.headers).filter((name) => name.startsWith('access-control-'))).toEqual([]);
    expect(JSON.stringify(answer.headers) + answer.text).not.toContain('other.example');
  }
  expect((await edge.call('OPTIONS', '/fhir/Observation', { headers })).status).toBe(405);
});

test('what a request says of the host that it was meant for is in no answer', async () => {
  const edge = await startEdge();
  const headers = {
    Host: 'forged.example',
    'X-Forwarded-Host': 'forged.example',
    'X-Forwarded-Proto': 'forged.example',
    Forwarded: 'host=forged.example',
    'X-Original-URL': 'http://forged.example/fhir/metadata',
    'X-Rewrite-URL': '/health/live',
  };
  for (const path of ['/fhir/metadata', '/fhir/Observation?_count=1', '/fhir/nowhere', '/rules']) {
    const answer = await edge.call('GET', path, { headers });
    expect(JSON.stringify(answer.headers) + answer.text).not.toContain('forged.example');
  }
});
