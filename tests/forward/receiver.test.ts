import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { startReceiver, type Receiver } from '../../examples/receiver/receiver.ts';

let receiver: Receiver;
beforeEach(async () => {
  receiver = await startReceiver({ port: 0 });
});
afterEach(() => receiver.close());

interface Reply {
  readonly status: number;
  readonly headers: Headers;
  readonly text: string;
}

async function call(method: string, path: string, body?: string, headers: Record<string, string> = {}): Promise<Reply> {
  const response = await fetch(`${receiver.url}${path}`, { method, headers, ...(body === undefined ? {} : { body }) });
  return { status: response.status, headers: response.headers, text: await response.text() };
}

const observation = (value: string, digits = '70.0', rest = ''): string =>
  `{"resourceType":"Observation","identifier":[{"system":"urn:s","value":"${value}"}],"status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":"Patient/1"},"valueQuantity":{"value":${digits}}${rest}}`;

const bundle = (type: string, ...entries: readonly string[]): string =>
  `{"resourceType":"Bundle","type":"${type}","entry":[${entries.join(',')}]}`;
const entry = (fullUrl: string, resource: string, request: string): string =>
  `{"fullUrl":"${fullUrl}","resource":${resource},"request":${request}}`;
const POST_OBSERVATION = '{"method":"POST","url":"Observation"}';
const FIRST = 'urn:uuid:00000000-0000-5000-8000-000000000001';

describe('one resource', () => {
  it('is created, read, corrected and kept in all versions, digits as written', async () => {
    const created = await call('POST', '/Observation', observation('a', '70.50'));
    expect(created.status).toBe(201);
    const location = created.headers.get('location') as string;
    expect(location).toBe(`${receiver.url}/Observation/1001/_history/1`);
    const corrected = await call('PUT', '/Observation/1001', observation('a', '0.10').replace('{', '{"id":"1001",'));
    expect([corrected.status, corrected.headers.get('etag')]).toEqual([200, 'W/"2"']);
    expect((await call('GET', '/Observation/1001')).text).toContain('"value":0.10}');
    expect((await call('GET', '/Observation/1001/_history/1')).text).toContain('"value":70.50}');
    expect((await call('GET', '/Observation/1001/_history')).text).toMatch(/"versionId":"2".*"versionId":"1"/);
  });

  it('is created once under the same condition, and refused when the condition fits two', async () => {
    const condition = { 'if-none-exist': 'identifier=urn%3As%7Ca' };
    expect((await call('POST', '/Observation', observation('a'), condition)).status).toBe(201);
    expect((await call('POST', '/Observation', observation('a', '71.0'), condition)).status).toBe(200);
    expect(receiver.resources()).toHaveLength(1);
    await call('POST', '/Observation', observation('a'));
    expect((await call('POST', '/Observation', observation('a'), condition)).status).toBe(412);
    expect((await call('PUT', '/Observation?identifier=urn:s|a', observation('a'))).status).toBe(412);
  });

  it.each([
    ['GET', '/Observation/1', undefined, 404],
    ['GET', '/Medication', undefined, 404],
    ['GET', '/Observation?colour=red', undefined, 400],
    ['POST', '/Observation', '{', 400],
    ['POST', '/Observation', '{"resourceType":"Patient"}', 400],
    ['POST', '/Observation', '{"resourceType":"Observation","status":"final"}', 422],
    ['PUT', '/Observation/77', observation('a').replace('{', '{"id":"77",'), 405],
    ['PUT', '/Patient/1', '{"resourceType":"Patient","id":"2"}', 400],
    ['PUT', '/Patient/1', '{"resourceType":"Patient","id":"1"}', 201],
    ['DELETE', '/Patient/1', undefined, 405],
  ])('%s %s answers %4$i', async (method, path, body, status) => {
    const reply = await call(method, path, body);
    expect(reply.status).toBe(status);
    if (status >= 400) expect(reply.text).toContain('"resourceType":"OperationOutcome"');
  });

  it('is refused when the version to correct is another one', async () => {
    await call('POST', '/Observation', observation('a'));
    const body = observation('a').replace('{', '{"id":"1001",');
    expect((await call('PUT', '/Observation/1001', body, { 'if-match': 'W/"2"' })).status).toBe(412);
    expect((await call('PUT', '/Observation/1001', body, { 'if-match': 'W/"1"' })).status).toBe(200);
  });
});

describe('a search', () => {
  it('finds by identifier, patient, code and what a BMI was derived from, in pages', async () => {
    for (const value of ['a', 'b', 'c']) await call('POST', '/Observation', observation(value));
    await call(
      'POST',
      '/Observation',
      observation('d', '27.3', ',"derivedFrom":[{"reference":"Observation/1001"}]').replace('29463-7', '39156-5'),
    );
    const ids = async (query: string): Promise<string[]> =>
      [...(await call('GET', `/Observation?${query}`)).text.matchAll(/"id":"(\d+)"/g)].map(([, id]) => id as string);
    expect(await ids('identifier=urn:s|a,urn:s|c')).toEqual(['1001', '1003']);
    expect(await ids('identifier=b')).toEqual(['1002']);
    expect(await ids('patient=1&code=http://loinc.org|39156-5')).toEqual(['1004']);
    expect(await ids('derived-from=Observation/1001')).toEqual(['1004']);
    expect(await ids('subject=Patient/2')).toEqual([]);
    expect(await ids('_count=3')).toEqual(['1001', '1002', '1003']);
    const next = /"relation":"next","url":"([^"]+)"/.exec((await call('GET', '/Observation?_count=3')).text)?.[1] as string;
    expect(await (await fetch(next)).text()).toMatch(/"total":4.*"id":"1004"/);
    expect((await call('POST', '/Observation/_search', 'identifier=urn:s|b')).text).toContain('"total":1');
  });
});

describe('a transaction', () => {
  it('stores all, with urn: and conditional references made literal, and answers in order', async () => {
    await call('POST', '/Observation', observation('height', '160.0'));
    const bmi = observation('bmi', '27.3', `,"derivedFrom":[{"reference":"${FIRST}"},{"reference":"Observation?identifier=urn:s|height"}]`);
    const reply = await call(
      'POST',
      '',
      bundle('transaction', entry('urn:x:bmi', bmi, POST_OBSERVATION), entry(FIRST, observation('weight'), POST_OBSERVATION)),
    );
    expect(reply.status).toBe(200);
    expect(reply.text).toMatch(
      /^\{"resourceType":"Bundle","type":"transaction-response","entry":\[\{"response":\{"status":"201 Created","location":"Observation\/1002\/_history\/1","etag":"W\/\\"1\\""/,
    );
    expect((await call('GET', '/Observation/1002')).text).toContain(
      '"derivedFrom":[{"reference":"Observation/1003"},{"reference":"Observation/1001"}]',
    );
  });

  it.each([
    ['an entry is not acceptable', '{"resourceType":"Observation"}', POST_OBSERVATION, 422],
    ['a urn: reference leads nowhere', observation('b', '1', ',"derivedFrom":[{"reference":"urn:uuid:none"}]'), POST_OBSERVATION, 400],
    [
      'a conditional reference matches nothing',
      observation('b', '1', ',"derivedFrom":[{"reference":"Observation?identifier=urn:s|none"}]'),
      POST_OBSERVATION,
      412,
    ],
    [
      'a reading is referred to that is not here',
      observation('b', '1', ',"derivedFrom":[{"reference":"Observation/5"}]'),
      POST_OBSERVATION,
      422,
    ],
    ['two entries are about one resource', observation('a'), '{"method":"PUT","url":"Observation?identifier=urn:s|a"}', 400],
    ['a method is not served', observation('b'), '{"method":"DELETE","url":"Observation/1"}', 400],
  ])('stores nothing when %s', async (_title, resource, request, status) => {
    const first = entry(FIRST, observation('a'), '{"method":"POST","url":"Observation","ifNoneExist":"identifier=urn:s|a"}');
    const reply = await call('POST', '', bundle('transaction', first, entry('urn:x:2', resource, request)));
    expect(reply.status).toBe(status);
    expect(reply.text).toContain('"resourceType":"OperationOutcome"');
    expect(receiver.resources()).toEqual([]);
    expect((await call('GET', '/Observation?identifier=urn:s|a')).text).toContain('"total":0');
  });
});

it('lets the entries of a batch fail alone', async () => {
  const reply = await call(
    'POST',
    '',
    bundle(
      'batch',
      entry('urn:x:1', '{"resourceType":"Observation"}', POST_OBSERVATION),
      entry('urn:x:2', observation('b'), POST_OBSERVATION),
    ),
  );
  expect(reply.status).toBe(200);
  expect(reply.text).toMatch(/"type":"batch-response".*"status":"422".*"status":"201 Created"/);
  expect(receiver.resources()).toHaveLength(1);
});

it('says what it serves', async () => {
  const { text } = await call('GET', '/metadata');
  expect(JSON.parse(text)).toMatchObject({
    resourceType: 'CapabilityStatement',
    fhirVersion: '4.0.1',
    implementation: { url: receiver.url },
  });
});
