import { deflateSync, gzipSync } from 'node:zlib';
import { describe, expect, test } from 'vitest';
import { stringifyExact, type JsonValue } from '../../src/core/json.ts';
import type { Assessment } from '../../src/ingest.ts';
import { issueCodes, startEdge, treeOf } from './edge.ts';

const VALID = '{"resourceType":"Observation","valueQuantity":{"value":70.50}}';
const MARK = 'MARKEDNAME';

/** An edge whose `$assess` gives back the tree that it was given, so that the test sees what got through. */
async function mirroring() {
  const seen: JsonValue[] = [];
  const edge = await startEdge({
    intake: {
      assess: (parsed): Promise<Assessment> => {
        seen.push(parsed);
        return Promise.resolve({ verdict: 'accepted', outcome: { resourceType: 'OperationOutcome', issue: [] }, derived: [] });
      },
    },
  });
  return {
    edge,
    seen,
    assess: (body: string | Buffer, headers?: Record<string, string>) => edge.post('/fhir/Observation/$assess', body, headers),
  };
}

describe('a body that gets through', () => {
  test.each([
    ['as it is', Buffer.from(VALID), {}],
    ['as application/json', Buffer.from(VALID), { 'Content-Type': 'application/json' }],
    ['with its charset in quotes', Buffer.from(VALID), { 'Content-Type': 'application/fhir+json; charset="UTF-8"' }],
    ['with the FHIR version named', Buffer.from(VALID), { 'Content-Type': 'application/fhir+json; fhirVersion=4.0' }],
    ['gzipped', gzipSync(VALID), { 'Content-Encoding': 'gzip' }],
    ['deflated', deflateSync(VALID), { 'Content-Encoding': 'deflate' }],
  ])('%s keeps its digits', async (_, body, headers) => {
    const { seen, assess } = await mirroring();
    const answer = await assess(body, headers);
    expect(answer.status).toBe(200);
    expect(seen.map(stringifyExact)).toEqual([VALID]);
  });
});

describe('a body that is refused', () => {
  test.each([
    ['an empty one', '', 400, 'structure'],
    ['white space', ' \n\t ', 400, 'structure'],
    ['one cut off half way', `{"resourceType":"Observation","subject":{"display":"${MARK}`, 400, 'structure'],
    ['a duplicate key', `{"${MARK}":1,"${MARK}":1}`, 400, 'structure'],
    ['a forbidden key', `{"__proto__":{"polluted":"${MARK}"}}`, 400, 'structure'],
    ['a lone surrogate', `{"a":"${MARK}\\ud800"}`, 400, 'structure'],
    ['a trailing comma', `{"a":"${MARK}",}`, 400, 'structure'],
    ['NaN', `{"a":NaN,"b":"${MARK}"}`, 400, 'structure'],
    ['a number beyond bounds', `{"b":"${MARK}","a":1e1000000}`, 400, 'value'],
    ['deep nesting', `{"b":"${MARK}","a":${'['.repeat(100_000)}${']'.repeat(100_000)}}`, 400, 'structure'],
    ['two values', `{"a":"${MARK}"}{}`, 400, 'structure'],
  ])('%s', async (_, body, status, code) => {
    const { edge, seen, assess } = await mirroring();
    const answer = await assess(body);
    expect(answer.status).toBe(status);
    expect(issueCodes(answer)).toEqual([code]);
    expect(answer.headers['content-type']).toBe('application/fhir+json; charset=utf-8');
    expect(answer.text).not.toContain(MARK);
    expect(edge.logLines.join('')).not.toContain(MARK);
    expect(seen).toEqual([]);
  });

  test('names line and column', async () => {
    const { assess } = await mirroring();
    expect((await assess('{\n  "a": 1,\n  "a": 2\n}')).text).toMatch(/Line 3, column 3/);
  });

  test('invalid UTF-8 is not repaired', async () => {
    const { assess, seen } = await mirroring();
    const answer = await assess(Buffer.concat([Buffer.from('{"a":"'), Buffer.from([0xff, 0xc0]), Buffer.from('"}')]));
    expect(answer.status).toBe(400);
    expect(issueCodes(answer)).toEqual(['structure']);
    expect(seen).toEqual([]);
  });

  test('a byte order mark is refused, never misread', async () => {
    const { assess } = await mirroring();
    const answer = await assess(Buffer.concat([Buffer.from([0xef, 0xbb, 0xbf]), Buffer.from(VALID)]));
    expect([answer.status, issueCodes(answer)]).toEqual([400, ['structure']]);
  });

  test('one cut off by its sender during inflation', async () => {
    const { assess } = await mirroring();
    const answer = await assess(gzipSync(VALID).subarray(0, 20), { 'Content-Encoding': 'gzip' });
    expect([answer.status, issueCodes(answer)]).toEqual([400, ['invalid']]);
  });

  test.each([
    ['no media type', { 'Content-Type': '' }],
    ['XML', { 'Content-Type': 'application/fhir+xml' }],
    ['plain text', { 'Content-Type': 'text/plain' }],
    ['UTF-16', { 'Content-Type': 'application/fhir+json; charset=utf-16' }],
    ['an unknown coding', { 'Content-Encoding': 'x-unknown' }],
    ['a coding over a coding', { 'Content-Encoding': 'gzip, gzip' }],
    ['brotli', { 'Content-Encoding': 'br' }],
  ])('%s is answered 415', async (_, headers) => {
    const { assess } = await mirroring();
    const answer = await assess(VALID, headers);
    expect([answer.status, issueCodes(answer)]).toEqual([415, ['not-supported']]);
  });

  test.each([
    ['sent plainly', Buffer.alloc(5 * 1024 * 1024 + 1, 0x20), {}],
    ['that inflates to it', gzipSync(Buffer.alloc(50 * 1024 * 1024, 0x20)), { 'Content-Encoding': 'gzip' }],
  ])('one over the limit %s is answered 413', async (_, body, headers) => {
    const { assess } = await mirroring();
    const answer = await assess(body, headers);
    expect([answer.status, issueCodes(answer)]).toEqual([413, ['too-long']]);
  });
});

describe('the input of an operation', () => {
  test('is the one parameter named resource', async () => {
    const { assess, seen } = await mirroring();
    const answer = await assess(`{"resourceType":"Parameters","parameter":[{"name":"resource","resource":${VALID}}]}`);
    expect(answer.status).toBe(200);
    expect(seen.map(stringifyExact)).toEqual([VALID]);
    expect(treeOf(answer)['resourceType']).toBe('Parameters');
  });

  test.each([
    '{"resourceType":"Parameters"}',
    `{"resourceType":"Parameters","parameter":[{"name":"resource","resource":${VALID}},{"name":"resource","resource":{}}]}`,
  ])('is refused when there is none or more than one (%#)', async (body) => {
    const { assess } = await mirroring();
    const answer = await assess(body);
    expect([answer.status, issueCodes(answer)]).toEqual([400, ['invalid']]);
  });
});
