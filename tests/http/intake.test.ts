import { describe, expect, test } from 'vitest';
import { toOperationOutcome } from '../../src/core/finding.ts';
import { ServiceError } from '../../src/errors.ts';
import type { IntakeAnswer } from '../../src/ingest.ts';
import { StoreUnavailable, type StoredResource } from '../../src/ports.ts';
import { issueCodes, startEdge, treeOf } from './edge.ts';

const STORED: StoredResource = {
  type: 'Observation',
  id: 'w1',
  version: 3,
  lastUpdated: '2026-11-25T09:59:58.123456Z',
  text: '{"resourceType":"Observation","id":"w1","valueQuantity":{"value":70.50}}',
};
const OUTCOME = toOperationOutcome([]);
const BODY = '{"resourceType":"Observation"}';

const ANSWERS = {
  accepted: { status: 201, verdict: 'accepted', resource: STORED, outcome: OUTCOME },
  resent: { status: 200, verdict: 'accepted', resource: STORED, outcome: OUTCOME },
  held: { status: 202, verdict: 'held', resource: STORED, outcome: OUTCOME },
  refused: { status: 422, verdict: 'refused', outcome: OUTCOME },
} as const satisfies Record<string, IntakeAnswer>;

function answering(kind: keyof typeof ANSWERS) {
  return startEdge({ intake: { create: () => Promise.resolve(ANSWERS[kind]) } });
}

describe('POST /fhir/Observation', () => {
  test.each([
    ['accepted', undefined, 201, 'Observation'],
    ['accepted', 'return=representation', 201, 'Observation'],
    ['accepted', 'return=OperationOutcome', 201, 'OperationOutcome'],
    ['accepted', 'return=minimal', 201, 'nothing'],
    ['accepted', 'return=everything; wait=5', 201, 'Observation'],
    ['resent', undefined, 200, 'Observation'],
    ['resent', 'handling=strict, return="minimal"', 200, 'nothing'],
    ['held', undefined, 202, 'OperationOutcome'],
    ['held', 'return=representation', 202, 'Observation'],
    ['held', 'return=minimal', 202, 'OperationOutcome'],
    ['refused', undefined, 422, 'OperationOutcome'],
    ['refused', 'return=minimal', 422, 'OperationOutcome'],
  ] as const)('%s with Prefer %s answers %i and %s', async (kind, prefer, status, content) => {
    const edge = await answering(kind);
    const answer = await edge.post('/fhir/Observation', BODY, prefer === undefined ? {} : { Prefer: prefer });
    expect(answer.status).toBe(status);
    if (content === 'nothing') expect(answer.text).toBe('');
    else expect(treeOf(answer)['resourceType']).toBe(content);
    if (content === 'Observation') expect(answer.text).toBe(STORED.text);
  });

  test.each(['accepted', 'resent', 'held'] as const)('%s names the version under our own base, whatever Host says', async (kind) => {
    const edge = await answering(kind);
    const { headers, text } = await edge.post('/fhir/Observation', BODY, { Host: 'evil.example' });
    expect(headers.location).toBe(`${edge.url}/fhir/Observation/w1/_history/3`);
    expect(headers.etag).toBe('W/"3"');
    expect(headers['last-modified']).toBe('Wed, 25 Nov 2026 09:59:58 GMT');
    expect(headers['cache-control']).toBe('no-store');
    expect(JSON.stringify(headers) + text).not.toContain('evil.example');
  });

  test('hands over the exact text and the identifier of a conditional create', async () => {
    const calls: unknown[] = [];
    const edge = await startEdge({
      intake: {
        create: (_parsed, text, ifNoneExist) => {
          calls.push([text, ifNoneExist]);
          return Promise.resolve(ANSWERS.accepted);
        },
      },
    });
    await edge.post('/fhir/Observation', ` ${BODY}\n`, { 'If-None-Exist': 'identifier=urn%3Aexample%7C42' });
    await edge.post('/fhir/Observation', BODY, { 'If-None-Exist': '?identifier=urn:example|42' });
    await edge.post('/fhir/Observation', BODY);
    const identifier = { system: 'urn:example', value: '42' };
    expect(calls).toEqual([
      [` ${BODY}\n`, identifier],
      [BODY, identifier],
      [BODY, undefined],
    ]);
  });

  test.each([
    ['%%%', 'value'],
    ['', 'value'],
    ['identifier=42', 'value'],
    ['identifier=a|', 'value'],
    ['code=29463-7', 'value'],
    ['identifier=a|1&patient=ada', 'value'],
    ['identifier=a|1&identifier=a|2', 'value'],
  ])('If-None-Exist "%s" is answered 400 %s', async (header, code) => {
    const edge = await startEdge();
    const answer = await edge.post('/fhir/Observation', BODY, { 'If-None-Exist': header });
    expect([answer.status, issueCodes(answer)]).toEqual([400, [code]]);
    expect(answer.text).toContain('http.If-None-Exist');
  });

  test('a store that cannot commit is answered 503 with Retry-After', async () => {
    const edge = await startEdge({ intake: { create: () => Promise.reject(new StoreUnavailable(new Error('disk full: MARKEDNAME'))) } });
    const answer = await edge.post('/fhir/Observation', BODY);
    expect([answer.status, issueCodes(answer), answer.headers['retry-after']]).toEqual([503, ['transient'], '5']);
    expect(answer.text + edge.logLines.join('')).not.toContain('MARKEDNAME');
  });

  test('a fault of ours is answered 500 with the request id and no details', async () => {
    const edge = await startEdge({ intake: { create: () => Promise.reject(new TypeError('MARKEDNAME\n    at MARKEDNAME (x:1:1)')) } });
    const answer = await edge.post('/fhir/Observation', BODY, { 'X-Request-Id': 'gateway-7.42' });
    expect([answer.status, issueCodes(answer)]).toEqual([500, ['exception']]);
    expect(answer.text).toContain('gateway-7.42');
    expect(answer.text).not.toMatch(/MARKEDNAME|TypeError|\.ts/);
    const log = edge.logLines.join('');
    expect(log).toContain('"error":"TypeError"');
    expect(log).not.toContain('MARKEDNAME');
  });
});

describe('PUT /fhir/Observation/{id}', () => {
  const withId = '{"resourceType":"Observation","id":"w1"}';
  const put = { 'Content-Type': 'application/fhir+json' };

  test('hands over the version that If-Match names', async () => {
    const versions: number[] = [];
    const edge = await startEdge({
      intake: {
        correct: (_id, _parsed, _text, version) => {
          versions.push(version);
          return Promise.resolve(ANSWERS.resent);
        },
      },
    });
    for (const tag of ['W/"2"', '"2"']) {
      expect((await edge.call('PUT', '/fhir/Observation/w1', { body: withId, headers: { ...put, 'If-Match': tag } })).status).toBe(200);
    }
    expect(versions).toEqual([2, 2]);
  });

  test.each([
    ['no If-Match', {}, withId, 400, 'required'],
    ['a malformed If-Match', { 'If-Match': '2' }, withId, 400, 'value'],
    ['any version', { 'If-Match': '*' }, withId, 400, 'value'],
    ['version zero, which there never is', { 'If-Match': 'W/"0"' }, withId, 400, 'value'],
    ['several versions', { 'If-Match': 'W/"1", W/"2"' }, withId, 400, 'value'],
    ['another id in the body', { 'If-Match': 'W/"2"' }, '{"resourceType":"Observation","id":"w2"}', 400, 'value'],
    ['no id in the body', { 'If-Match': 'W/"2"' }, '{"resourceType":"Observation"}', 400, 'value'],
  ])('%s is refused', async (_, headers, body, status, code) => {
    const edge = await startEdge();
    const answer = await edge.call('PUT', '/fhir/Observation/w1', { body, headers: { ...put, ...headers } });
    expect([answer.status, issueCodes(answer)]).toEqual([status, [code]]);
  });

  test.each([
    ['ERR_VERSION_CONFLICT', 412, 'conflict'],
    ['ERR_SEVERAL_MATCHES', 412, 'multiple-matches'],
    ['ERR_NOT_FOUND', 404, 'not-found'],
    ['ERR_METHOD', 405, 'not-supported'],
  ] as const)('%s is answered %i %s', async (code, status, issue) => {
    const edge = await startEdge({ intake: { correct: () => Promise.reject(new ServiceError(code, 'As the intake says.')) } });
    const answer = await edge.call('PUT', '/fhir/Observation/w1', { body: withId, headers: { ...put, 'If-Match': 'W/"2"' } });
    expect([answer.status, issueCodes(answer)]).toEqual([status, [issue]]);
    expect(answer.headers.allow).toBe(status === 405 ? 'GET, HEAD' : undefined);
  });
});

describe('POST /fhir', () => {
  test('takes Bundles only', async () => {
    const edge = await startEdge();
    const answer = await edge.post('/fhir', BODY);
    expect([answer.status, issueCodes(answer)]).toEqual([400, ['structure']]);
  });

  test('answers the Bundle that the intake gives', async () => {
    const body = { resourceType: 'Bundle', type: 'batch-response', entry: [{ response: { status: '201 Created' } }] };
    const edge = await startEdge({ intake: { bundle: () => Promise.resolve({ status: 200, body }) } });
    const answer = await edge.post('/fhir/', `{"resourceType":"Bundle","type":"batch","entry":[{"resource":${BODY}}]}`);
    expect([answer.status, treeOf(answer)]).toEqual([200, body]);
  });
});

describe('PUT of what the service is told', () => {
  test.each(['Patient', 'Device', 'DeviceMetric'] as const)('%s needs no If-Match, and honours one', async (type) => {
    const versions: unknown[] = [];
    const edge = await startEdge({
      intake: {
        putRegistry: (_type, _id, _parsed, version) => {
          versions.push(version);
          return Promise.resolve({ ...ANSWERS.accepted, resource: { ...STORED, type, id: 'x', version: 1 } });
        },
      },
    });
    const body = `{"resourceType":"${type}","id":"x"}`;
    const headers = { 'Content-Type': 'application/fhir+json' };
    const answer = await edge.call('PUT', `/fhir/${type}/x`, { body, headers });
    await edge.call('PUT', `/fhir/${type}/x`, { body, headers: { ...headers, 'If-Match': 'W/"1"' } });
    expect([answer.status, answer.headers.location, versions]).toEqual([201, `${edge.url}/fhir/${type}/x/_history/1`, [undefined, 1]]);
  });
});
