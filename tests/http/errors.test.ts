import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { ERRORS } from '../../src/errors.ts';
import { issueCodes, startEdge } from './edge.ts';

describe('what is not served', () => {
  test.each([
    ['GET', '/'],
    ['GET', '/fhir/Medication'],
    ['GET', '/fhir/Encounter'],
    ['GET', '/fhir/observation'],
    ['GET', '/fhir/Observation/w1/extra/path'],
  ])('%s %s is answered 404', async (method, path) => {
    const edge = await startEdge();
    const answer = await edge.call(method, path);
    expect([answer.status, issueCodes(answer)]).toEqual([404, ['not-supported']]);
  });

  test.each(['/review/..%2f..%2f..%2fetc/passwd', '/review/..%5c..%5cpackage.json', '/review/MARKEDNAME', '/try/MARKEDNAME'])(
    'GET %s is answered 404, and to whoever looks at a page in words',
    async (path) => {
      const edge = await startEdge();
      const answer = await edge.call('GET', path);
      expect([answer.status, answer.headers['content-type']]).toEqual([404, 'text/html; charset=utf-8']);
      expect(answer.headers['content-security-policy']).toContain("script-src 'self'");
      expect(answer.text).toContain('Nothing is served at this address.');
      expect(answer.text).not.toMatch(/MARKEDNAME|passwd|package/);
    },
  );

  test.each([
    ['DELETE', '/fhir/Observation/w1', 'PUT, GET, HEAD'],
    ['PATCH', '/fhir/Observation/w1', 'PUT, GET, HEAD'],
    ['TRACE', '/fhir/Observation', 'POST, GET, HEAD'],
    ['OPTIONS', '/fhir/Observation', 'POST, GET, HEAD'],
    ['POST', '/fhir/Patient', 'GET, HEAD'],
    ['PUT', '/fhir/Provenance/p1', 'GET, HEAD'],
    ['POST', '/fhir/ValueSet/v1', 'GET, HEAD'],
    ['GET', '/fhir', 'POST'],
    ['GET', '/fhir/Observation/$validate', 'POST'],
    ['GET', '/fhir/Observation/%24assess', 'POST'],
    ['GET', '/fhir/Observation/_search', 'POST'],
    ['POST', '/fhir/metadata', 'GET, HEAD'],
    ['POST', '/metrics', 'GET, HEAD'],
    ['POST', '/rules', 'GET, HEAD'],
  ])('%s %s is answered 405 with Allow', async (method, path, allow) => {
    const edge = await startEdge();
    const answer = await edge.call(method, path, { headers: { 'X-Marked': 'MARKEDNAME' } });
    expect([answer.status, issueCodes(answer), answer.headers.allow]).toEqual([405, ['not-supported'], allow]);
    expect(answer.text).not.toContain('MARKEDNAME');
  });
});

describe('what is asked for in the wrong format', () => {
  test.each(['application/fhir+xml', 'text/html', 'application/fhir+json;q=0', 'application/fhir+json; fhirVersion=5.0', 'image/*'])(
    'Accept %s is answered 406',
    async (accept) => {
      const edge = await startEdge();
      const answer = await edge.call('GET', '/fhir/metadata', { headers: { Accept: accept } });
      expect([answer.status, issueCodes(answer)]).toEqual([406, ['not-supported']]);
    },
  );

  test.each([
    'application/fhir+json',
    'application/json',
    '*/*',
    'text/html, application/fhir+json;q=0.1',
    'application/fhir+json; fhirVersion=4.0',
  ])('Accept %s is served as FHIR JSON', async (accept) => {
    const edge = await startEdge();
    const answer = await edge.call('GET', '/fhir/metadata', { headers: { Accept: accept } });
    expect([answer.status, answer.headers['content-type']]).toEqual([200, 'application/fhir+json; charset=utf-8']);
  });

  test.each([
    ['json', 200],
    ['application/fhir+json', 200],
    ['application%2Ffhir%2Bjson', 200],
    ['xml', 406],
    ['html', 406],
  ])('_format=%s outranks Accept: %i', async (format, status) => {
    const edge = await startEdge();
    const accept = status === 200 ? 'application/fhir+xml' : 'application/fhir+json';
    expect((await edge.call('GET', `/fhir/metadata?_format=${format}`, { headers: { Accept: accept } })).status).toBe(status);
  });
});

describe('what is refused by its first lines', () => {
  test('a URL longer than 8 KiB is answered 414', async () => {
    const edge = await startEdge();
    const answer = await edge.call('GET', `/fhir/Observation?patient=${'a'.repeat(9000)}`);
    expect([answer.status, issueCodes(answer)]).toEqual([414, ['too-long']]);
  });

  test('an expectation other than 100-continue is answered 417', async () => {
    const edge = await startEdge();
    const answer = await edge.call('POST', '/fhir/Observation', { headers: { Expect: '200-ok' } });
    expect([answer.status, issueCodes(answer)]).toEqual([417, ['not-supported']]);
  });

  test.each([
    ['many headers', Object.fromEntries(Array.from({ length: 150 }, (_, at) => [`x-h${at}`, '1']))],
    ['more headers than node keeps', Object.fromEntries(Array.from({ length: 1000 }, (_, at) => [`x-h${at}`, '1']))],
    ['a long header', { 'Idempotency-Key': 'k'.repeat(10_000) }],
    ['headers beyond the size that node reads', { 'X-Long': 'k'.repeat(20_000) }],
  ])('%s: 431', async (_, headers) => {
    const edge = await startEdge();
    const answer = await edge.call('GET', '/fhir/metadata', { headers });
    expect([answer.status, issueCodes(answer)]).toEqual([431, ['too-long']]);
  });

  test.each(['/fhir/Observation/%ZZ', '/fhir/Observation/%c0%af', '/rules/%ff', '/nowhere/%'])(
    'the broken percent-encoding of %s is answered 400',
    async (path) => {
      const edge = await startEdge();
      const answer = await edge.call('GET', path);
      expect([answer.status, issueCodes(answer)]).toEqual([400, ['value']]);
    },
  );
});

describe('every answer', () => {
  test.each([
    ['gateway-7.42_x', 'gateway-7.42_x'],
    ['with blank', undefined],
    ['a'.repeat(65), undefined],
    ['<script>', undefined],
  ])('echoes the request id %s only when it is sane', async (sent, expected) => {
    const edge = await startEdge();
    const { headers } = await edge.call('GET', '/fhir/nowhere', { headers: { 'X-Request-Id': sent } });
    if (expected === undefined) expect(headers['x-request-id']).toMatch(/^[0-9a-f-]{36}$/);
    else expect(headers['x-request-id']).toBe(expected);
  });

  test('carries the security headers, and none that a plain-http ward cannot keep', async () => {
    const edge = await startEdge();
    const { headers } = await edge.call('GET', '/fhir/metadata');
    expect(headers).toMatchObject({ 'x-content-type-options': 'nosniff', 'referrer-policy': 'no-referrer', 'cache-control': 'no-store' });
    expect(headers['content-security-policy']).toMatch(/default-src 'none'/);
    expect(headers['content-security-policy']).toMatch(/base-uri 'none'/);
    expect(headers['content-security-policy']).toMatch(/frame-ancestors 'none'/);
    expect(headers['content-security-policy']).not.toMatch(/upgrade-insecure-requests|unsafe/);
    expect(headers).not.toHaveProperty('strict-transport-security');
    expect(headers).not.toHaveProperty('x-powered-by');
    expect(headers).not.toHaveProperty('access-control-allow-origin');
  });
});

test('a log line names the pattern of the route and nothing of the request', async () => {
  const edge = await startEdge();
  await edge.call('GET', '/fhir/Observation/MARKEDNAME?patient=MARKEDNAME', {
    headers: { 'User-Agent': 'MARKEDNAME', 'X-Request-Id': 'r-1' },
  });
  await edge.call('GET', '/MARKEDNAME', { headers: { 'X-Request-Id': 'r-2' } });
  const lines = edge.logLines.map((line) => JSON.parse(line) as Record<string, unknown>);
  expect(lines).toEqual([
    expect.objectContaining({
      requestId: 'r-1',
      route: '/fhir/Observation/:id',
      status: 404,
      ruleIds: ['transport-not-found'],
      msg: 'answered',
    }),
    expect.objectContaining({ requestId: 'r-2', method: 'GET', route: 'none', status: 404, msg: 'answered' }),
  ]);
  const allowed = new Set(['level', 'time', 'requestId', 'method', 'route', 'status', 'durationMs', 'verdicts', 'ruleIds', 'msg']);
  expect(lines.flatMap(Object.keys).filter((field) => !allowed.has(field))).toEqual([]);
  expect(edge.logLines.join('')).not.toContain('MARKEDNAME');
});

test('every error that is published is raised somewhere', () => {
  const source = join(import.meta.dirname, '../../src');
  const texts = readdirSync(source, { recursive: true, encoding: 'utf8' })
    .filter((path) => path.endsWith('.ts') && path !== 'errors.ts')
    .map((path) => readFileSync(join(source, path), 'utf8'));
  expect(texts.length).toBeGreaterThan(100);
  expect(Object.keys(ERRORS).filter((code) => !texts.some((text) => text.includes(`'${code}'`)))).toEqual([]);
});
