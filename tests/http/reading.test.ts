import { describe, expect, test } from 'vitest';
import { issueCodes, startEdge, treeOf } from './edge.ts';
import { keep } from './stored.ts';

async function twoVersions() {
  const edge = await startEdge();
  await keep(edge.store, { id: 'w1', value: '70.50' });
  const second = await keep(edge.store, { id: 'w1', value: '71.0', status: 'amended' });
  return { edge, second };
}

describe('a read', () => {
  test('gives the stored text with its version and time', async () => {
    const { edge, second } = await twoVersions();
    const answer = await edge.call('GET', '/fhir/Observation/w1');
    expect([answer.status, answer.text, answer.headers.etag]).toEqual([200, second.text, 'W/"2"']);
    expect(Date.parse(answer.headers['last-modified'] ?? '')).toBe(Math.floor(Date.parse(second.lastUpdated) / 1000) * 1000);
  });

  test('of an older version gives that one', async () => {
    const { edge } = await twoVersions();
    const answer = await edge.call('GET', '/fhir/Observation/w1/_history/1');
    expect([answer.status, answer.headers.etag]).toEqual([200, 'W/"1"']);
    expect(answer.text).toContain('70.50');
  });

  test.each(['W/"2"', '"2"', '*', 'W/"1", W/"2"'])('is answered 304 without a body to If-None-Match %s', async (tag) => {
    const { edge } = await twoVersions();
    const answer = await edge.call('GET', '/fhir/Observation/w1', { headers: { 'If-None-Match': tag } });
    expect([answer.status, answer.text, answer.headers.etag]).toEqual([304, '', 'W/"2"']);
  });

  test('is answered in full when the caller has an older version', async () => {
    const { edge } = await twoVersions();
    expect((await edge.call('GET', '/fhir/Observation/w1', { headers: { 'If-None-Match': 'W/"1"' } })).status).toBe(200);
  });

  test('by HEAD tells the same without the body', async () => {
    const { edge, second } = await twoVersions();
    const answer = await edge.call('HEAD', '/fhir/Observation/w1');
    expect([answer.status, answer.text, answer.headers['content-length']]).toEqual([200, '', String(Buffer.byteLength(second.text))]);
  });

  test.each([
    '/fhir/Observation/nobody',
    '/fhir/Observation/w1/_history/3',
    '/fhir/Observation/w1/_history/0',
    '/fhir/Observation/w1/_history/x',
    '/fhir/Observation/nobody/_history',
    '/fhir/Observation/a%2Fb',
    '/fhir/Observation/a%00b',
    `/fhir/Observation/${'a'.repeat(65)}`,
    '/fhir/Patient/nobody',
    '/fhir/Provenance/nobody',
    '/fhir/StructureDefinition/nobody',
  ])('%s is answered 404', async (path) => {
    const { edge } = await twoVersions();
    const answer = await edge.call('GET', path);
    expect([answer.status, issueCodes(answer)]).toEqual([404, ['not-found']]);
  });
});

test('a history holds every version, newest first, with request and response', async () => {
  const { edge } = await twoVersions();
  const answer = await edge.call('GET', '/fhir/Observation/w1/_history');
  expect(answer.status).toBe(200);
  expect(treeOf(answer)).toMatchObject({
    type: 'history',
    entry: [
      { request: { method: 'PUT', url: 'Observation/w1' }, response: { status: '200', etag: 'W/"2"' } },
      { request: { method: 'POST', url: 'Observation' }, response: { status: '201', etag: 'W/"1"' } },
    ],
  });
  expect(answer.text.indexOf('71.0')).toBeLessThan(answer.text.indexOf('70.50'));
});
