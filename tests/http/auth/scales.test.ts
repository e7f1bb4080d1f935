/** A gateway speaks for its own scales, whatever a reading calls them and whichever way it comes. */
import { beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { coded, measured, type Changes } from '../../measurements.ts';
import { objects } from '../../published/readings.ts';
import { issueCodes, treeOf, type Answer } from '../edge.ts';
import { NURSE, startGuarded, weightText, type Guarded } from './guarded.ts';
import type { Claims } from './issuer.ts';

const SCOPE = { scope: 'system/Observation.cruds system/Device.u system/DeviceMetric.u system/Patient.u' };
const A: Claims = { ...SCOPE, client_id: 'gateway-a', sub: 'gateway-a' };
const B: Claims = { ...SCOPE, client_id: 'gateway-b', sub: 'gateway-b' };
const STRANGER: Claims = { ...SCOPE, client_id: 'gateway-x', sub: 'gateway-x' };
const EMPTY: Claims = { ...SCOPE, client_id: 'gateway-0', sub: 'gateway-0' };
const WORKSHOP: Claims = { client_id: 'workshop', sub: 'workshop', scope: 'system/Device.u system/DeviceMetric.u steelyard/operate' };

let guarded: Guarded;
let minute = 0;

beforeAll(async () => {
  guarded = await startGuarded({ 'gateway-a': ['scale-1', 'scale-2'], 'gateway-b': ['scale-9'], 'gateway-0': [] });
  const device = (id: string): string =>
    JSON.stringify({ resourceType: 'Device', id, identifier: [{ system: 'urn:example:serial', value: `SN-${id}` }] });
  for (const id of ['scale-1', 'scale-2', 'scale-9', 'scale-unassigned']) {
    expect((await guarded.as(WORKSHOP, 'PUT', `/fhir/Device/${id}`, device(id))).status).toBe(201);
  }
  for (const [id, of] of [
    ['meter-1', 'scale-1'],
    ['meter-9', 'scale-9'],
  ]) {
    const body = JSON.stringify(meter(id, of));
    expect((await guarded.as(WORKSHOP, 'PUT', `/fhir/DeviceMetric/${id}`, body)).status).toBe(201);
  }
});

/** Each reading is taken at a time of its own. */
beforeEach(() => {
  minute += 1;
});

const meter = (id = '', of = ''): object => ({
  resourceType: 'DeviceMetric',
  id,
  type: { coding: [{ system: 'urn:iso:std:iso:11073:10101', code: '188736' }] },
  category: 'measurement',
  source: { reference: `Device/${of}` },
});
const at = (): string => `2026-03-02T0${Math.floor(minute / 60) + 1}:${String(minute % 60).padStart(2, '0')}:00Z`;
const text = (device: Changes[string], changes: Changes = {}): string => weightText({ effectiveDateTime: at(), device, ...changes });
const serial = (id: string) => ({ identifier: { system: 'urn:example:serial', value: `SN-${id}` } });
const post = (claims: Claims, body: string, headers = {}): Promise<Answer> =>
  guarded.as(claims, 'POST', '/fhir/Observation', body, headers);

interface Counts {
  readonly observations: number;
  readonly refusals: number;
}
async function counts(): Promise<Counts> {
  const { read } = guarded.service.store;
  return { observations: await read.countObservations({ includeHeld: true }), refusals: (await read.refusals(1000)).length };
}
async function expectForbidden(answer: Answer, element: string, before: Counts): Promise<void> {
  expect([answer.status, issueCodes(answer)], answer.text).toEqual([403, ['forbidden']]);
  expect(answer.text).toContain(`"expression":["${element}"]`);
  expect(await counts()).toEqual(before);
}

const ITS_OWN: readonly [string, Changes][] = [
  ['by id', { device: { reference: 'Device/scale-1' } }],
  ['by a version of it', { device: { reference: 'Device/scale-1/_history/1' } }],
  ['by identifier', { device: serial('scale-1') }],
  ['by its meter', { device: { reference: 'DeviceMetric/meter-1' } }],
  [
    'as a contained Device with its identifier',
    {
      device: { reference: '#s' },
      contained: [{ resourceType: 'Device', id: 's', identifier: [{ system: 'urn:example:serial', value: 'SN-scale-2' }] }],
    },
  ],
];

const NOT_ITS_OWN: readonly [string, Changes][] = [
  ["another's by id", { device: { reference: 'Device/scale-9' } }],
  ["another's by identifier", { device: serial('scale-9') }],
  ["another's by its meter", { device: { reference: 'DeviceMetric/meter-9' } }],
  [
    "another's as a contained Device",
    {
      device: { reference: '#s' },
      contained: [{ resourceType: 'Device', id: 's', identifier: [{ system: 'urn:example:serial', value: 'SN-scale-9' }] }],
    },
  ],
  ["one that is nobody's", { device: { reference: 'Device/scale-unassigned' } }],
  ['one that is not registered', { device: { reference: 'Device/scale-77' } }],
  ['an identifier that nothing has', { device: serial('scale-77') }],
  ['one at another host', { device: { reference: 'https://evil.example/fhir/Device/scale-1' } }],
  ['its own id in another case', { device: { reference: 'Device/SCALE-1' } }],
  ['a contained Device of a chosen id', { device: { reference: '#scale-1' }, contained: [{ resourceType: 'Device', id: 'scale-1' }] }],
  ['a name alone', { device: { display: 'scale-1' } }],
  ['none', { device: undefined }],
];

describe('a reading', () => {
  test.each(ITS_OWN)('from a scale of its own, named %s, is taken', async (_how, changes) => {
    const answer = await post(A, text(undefined, changes));
    expect(answer.status, answer.text).toBe(201);
  });

  test.each(NOT_ITS_OWN)('that names %s is refused before anything is judged or stored', async (_what, changes) => {
    const before = await counts();
    await expectForbidden(await post(A, text(undefined, changes)), 'Observation.device', before);
    for (const operation of ['$validate', '$assess'])
      await expectForbidden(
        await guarded.as(A, 'POST', `/fhir/Observation/${operation}`, text(undefined, changes)),
        'Observation.device',
        before,
      );
  });

  test.each([
    ['that the file does not name', STRANGER],
    ['that has no scales', EMPTY],
  ])('from a client %s is refused, whatever it is', async (_what, claims) => {
    const before = await counts();
    for (const body of [text({ reference: 'Device/scale-1' }), '{"resourceType":"Observation"}', '{"resourceType":"Patient"}'])
      await expectForbidden(await post(claims, body), 'Observation.device', before);
  });

  test("under the condition of another gateway's identifier gets neither stored nor shown", async () => {
    const identifier = [{ system: 'urn:example:gateway-b', value: 'reading-1' }];
    expect((await post(B, text({ reference: 'Device/scale-9' }, { identifier }))).status).toBe(201);
    const before = await counts();
    const headers = { 'If-None-Exist': 'identifier=urn:example:gateway-b|reading-1', Prefer: 'return=representation' };
    const answer = await post(A, text({ reference: 'Device/scale-1' }), headers);
    await expectForbidden(answer, 'Observation.device', before);
    expect(answer.text).not.toContain('Patient/');
    expect((await post(B, text({ reference: 'Device/scale-9' }), headers)).status).toBe(200);
  });

  test('from a reviewer who may post is held to no scale', async () => {
    const claims = { ...NURSE, scope: 'user/Observation.c steelyard/review' };
    expect((await post(claims, text({ reference: 'Device/scale-9' }))).status).toBe(201);
    // without the role a person is held to the scales of the client
    expect((await post({ ...NURSE, scope: 'user/Observation.c' }, text({ reference: 'Device/scale-9' }))).status).toBe(403);
    // and a program with the scope is no reviewer, nor is one with an account of its own
    expect(
      (await post({ ...A, sub: 'account-5', scope: 'system/Observation.c steelyard/review' }, text({ reference: 'Device/scale-9' })))
        .status,
    ).toBe(403);
    expect((await post({ ...A, scope: 'system/Observation.c steelyard/review' }, text({ reference: 'Device/scale-9' }))).status).toBe(403);
  });
});

describe('a correction', () => {
  const stored = async (claims: Claims, device: string): Promise<string> => {
    const answer = await post(claims, text({ reference: `Device/${device}` }));
    expect(answer.status, answer.text).toBe(201);
    return /Observation\/([^/]+)/.exec(answer.headers.location ?? '')?.[1] ?? '';
  };
  const correct = (claims: Claims, id: string, device: string, version = 1): Promise<Answer> =>
    guarded.as(
      claims,
      'PUT',
      `/fhir/Observation/${id}`,
      text({ reference: `Device/${device}` }, { id, valueQuantity: measured('71.0', 'kg') }),
      {
        'If-Match': `W/"${version}"`,
      },
    );

  test("of its own reading is taken; of another gateway's it is refused, whichever scale it names", async () => {
    const [own, theirs] = [await stored(A, 'scale-1'), (minute++, await stored(B, 'scale-9'))];
    expect((await correct(A, own, 'scale-1')).status).toBe(200);
    const before = await counts();
    await expectForbidden(await correct(A, theirs, 'scale-1'), 'Observation.device', before);
    await expectForbidden(await correct(A, theirs, 'scale-9'), 'Observation.device', before);
    // what version it is at is not told either
    await expectForbidden(await correct(A, theirs, 'scale-1', 7), 'Observation.device', before);
    await expectForbidden(await correct(A, own, 'scale-9', 2), 'Observation.device', before);
  });
});

describe('the registry', () => {
  const put = (claims: Claims, type: string, resource: object & { readonly id?: string }): Promise<Answer> =>
    guarded.as(claims, 'PUT', `/fhir/${type}/${resource.id ?? ''}`, JSON.stringify(resource));
  const device = (id: string, identifier = `SN-${id}`) => ({
    resourceType: 'Device',
    id,
    identifier: [{ system: 'urn:example:serial', value: identifier }],
  });

  test('is told by a gateway of its own scales and their meters', async () => {
    expect((await put(A, 'Device', device('scale-1'))).status).toBe(200);
    expect((await put(A, 'DeviceMetric', meter('meter-1', 'scale-1'))).status).toBe(200);
  });

  test.each([
    ["another's scale", 'Device', device('scale-9'), 'Device.id'],
    ['a new scale', 'Device', device('scale-new'), 'Device.id'],
    ["its own under another's identifier", 'Device', device('scale-1', 'SN-scale-9'), 'Device.identifier'],
    ["another's meter", 'DeviceMetric', meter('meter-9', 'scale-9'), 'DeviceMetric.source'],
    ["another's meter as its own", 'DeviceMetric', meter('meter-9', 'scale-1'), 'DeviceMetric.source'],
    ["its meter as another's", 'DeviceMetric', meter('meter-1', 'scale-9'), 'DeviceMetric.source'],
  ])('is not told by a gateway of %s', async (_what, type, resource, element) => {
    await expectForbidden(await put(A, type, resource), element, await counts());
  });

  test('is told of every scale by who looks after the equipment', async () => {
    expect((await put(WORKSHOP, 'Device', device('scale-9'))).status).toBe(200);
  });

  test('is told of people by whoever has the scope', async () => {
    expect(
      (await put(STRANGER, 'Patient', { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17' } as object & { id: string })).status,
    ).toBe(201);
  });
});

describe('a Bundle', () => {
  const entry = (method: string, url: string, resource: object, more: object = {}): object => ({
    resource,
    request: { method, url, ...more },
  });
  const reading = (device: string, seconds: number): object =>
    JSON.parse(
      text({ reference: `Device/${device}` }, { effectiveDateTime: at().replace(':00Z', `:${10 + seconds}Z`), code: coded('29463-7') }),
    ) as object;
  const bundle = (claims: Claims, type: string, ...entries: object[]): Promise<Answer> =>
    guarded.as(claims, 'POST', '/fhir', JSON.stringify({ resourceType: 'Bundle', type, entry: entries }));
  const statuses = (answer: Answer): unknown[] =>
    objects(treeOf(answer)['entry']).map(({ response }) => (response as { status?: string }).status?.slice(0, 3));
  const mixed = (): object[] => [
    entry('POST', 'Observation', reading('scale-1', 1)),
    entry('POST', 'Observation', reading('scale-9', 2)),
    entry('PUT', 'Patient/bob', { resourceType: 'Patient', id: 'bob' }),
    entry('PUT', 'Device/scale-9', { resourceType: 'Device', id: 'scale-9' }),
  ];

  test('of type batch: each entry is answered by what it asks for', async () => {
    const before = await counts();
    const answer = await bundle(A, 'batch', ...mixed());
    expect(statuses(answer)).toEqual(['201', '403', '201', '403']);
    expect(answer.text).toContain('Bundle.entry[1].resource.device');
    expect(answer.text).toContain('Bundle.entry[3].resource.id');
    expect(await counts()).toEqual({ ...before, observations: before.observations + 1 });
  });

  test('of type batch, with the scope for one kind of entry only', async () => {
    const scoped = async (scope: string): Promise<unknown[]> => {
      minute += 1;
      return statuses(await bundle({ ...A, scope }, 'batch', ...mixed().slice(0, 3)));
    };
    expect(await scoped('system/Observation.c')).toEqual(['201', '403', '403']);
    expect(await scoped('system/Patient.u')).toEqual(['403', '403', '200']);
    expect(await scoped('system/Observation.ud')).toEqual(['403', '403', '403']);
  });

  test('of type transaction: one entry that is not allowed leaves nothing of the others', async () => {
    const before = await counts();
    const answer = await bundle(A, 'transaction', ...mixed().slice(0, 2));
    await expectForbidden(answer, 'Bundle.entry[1].resource.device', before);
    const scope = await bundle({ ...A, scope: 'system/Observation.c' }, 'transaction', ...mixed().filter((_, index) => index % 2 === 0));
    await expectForbidden(scope, 'Bundle.entry[1].request', before);
    expect(scope.headers['www-authenticate']).toBe('Bearer realm="steelyard", error="insufficient_scope", scope="system/Patient.u"');
    expect((await bundle(A, 'transaction', mixed()[0] ?? {})).status).toBe(200);
  });

  test('from a client without scales stores no reading, but people where it may', async () => {
    expect(statuses(await bundle(STRANGER, 'batch', ...mixed().slice(0, 3)))).toEqual(['403', '403', '200']);
  });
});

test('reading is not held to scales: who may read, reads what the one facility measured', async () => {
  const found = treeOf(await guarded.as(A, 'GET', '/fhir/Observation?device=scale-9'));
  expect(objects(found['entry']).length).toBeGreaterThan(0);
});

test('without a gateways file a gateway may send for every scale', async () => {
  const free = await startGuarded();
  expect((await free.as(A, 'POST', '/fhir/Observation', text({ reference: 'Device/scale-9' }))).status).toBe(201);
  expect((await free.as(STRANGER, 'POST', '/fhir/Observation', text(undefined))).status).not.toBe(403);
});
