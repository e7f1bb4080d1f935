/** Subscriptions over HTTP: what is taken, what is refused and why, and events asked for again. */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type * as fhir4 from 'fhir/r4.js';
import { startService, type Service } from '../service.ts';
import { issueCodes } from './edge.ts';
import { keep } from './stored.ts';

const TARGETS = ['https://ehr.example/hooks', 'http://127.0.0.1:9000/'];
const TAKEN = {
  resourceType: 'Subscription',
  status: 'requested',
  reason: 'Weights and heights for the chart',
  criteria: 'Observation?code=http://loinc.org|29463-7,8302-2&category=vital-signs',
  channel: { type: 'rest-hook', endpoint: 'https://ehr.example/hooks/weights', payload: 'application/fhir+json' },
};

let service: Service;
beforeEach(async () => {
  service = await startService({ now: '2026-12-01T10:00:00Z', subscriptionTargets: TARGETS });
});
afterEach(() => service.close());

const post = (changes: object = {}) => service.post('Subscription', JSON.stringify({ ...TAKEN, ...changes }));
const channel = (changes: object): object => ({ channel: { ...TAKEN.channel, ...changes } });
const get = async <Resource>(path: string) => JSON.parse((await service.call('GET', `/fhir/${path}`)).text) as Resource;

describe('a Subscription', () => {
  test('is taken, read, found and deleted', async () => {
    const made = await post({ id: 'chosen-by-the-sender', end: '2027-01-01T00:00:00Z' });
    expect(made.status).toBe(201);
    const resource = JSON.parse(made.text) as fhir4.Subscription;
    expect(resource).toEqual({ ...TAKEN, id: resource.id, meta: { lastUpdated: '2026-12-01T10:00:00.000Z' }, end: '2027-01-01T00:00:00Z' });
    expect(resource.id).not.toBe('chosen-by-the-sender');
    expect(made.headers.location).toBe(`${service.base}/Subscription/${resource.id ?? ''}`);
    expect(await get(`Subscription/${resource.id ?? ''}`)).toEqual(resource);
    for (const [query, total] of [
      ['', 1],
      ['?status=requested', 1],
      ['?status=active,error', 0],
      ['?url=https://ehr.example/hooks/weights', 1],
      ['?_id=other', 0],
    ] as const)
      expect((await get<fhir4.Bundle>(`Subscription${query}`)).total, query).toBe(total);
    const deleted = await service.call('DELETE', `/fhir/Subscription/${resource.id ?? ''}`);
    expect([deleted.status, deleted.text, deleted.headers['content-length']]).toEqual([204, '', undefined]);
    expect((await service.call('GET', `/fhir/Subscription/${resource.id ?? ''}`)).status).toBe(404);
    expect((await service.call('DELETE', `/fhir/Subscription/${resource.id ?? ''}`)).status).toBe(404);
  });

  test.each([
    ['another status', { status: 'active' }, 'Subscription.status'],
    ['no reason', { reason: undefined }, 'Subscription.reason'],
    ['no criteria', { criteria: '' }, 'Subscription.criteria'],
    ['criteria on another type', { criteria: 'Patient' }, 'Subscription.criteria'],
    ['criteria that name a person', { criteria: 'Observation?patient=ada' }, 'Subscription.criteria'],
    ['criteria that hide one', { criteria: 'Observation?code=8302-2&code=x&subject=Patient/ada' }, 'Subscription.criteria'],
    ['criteria with a modifier', { criteria: 'Observation?code:not=8302-2' }, 'Subscription.criteria'],
    ['an end that is over', { end: '2026-12-01T10:00:00Z' }, 'Subscription.end'],
    ['an end without a time', { end: '2027-01-01' }, 'Subscription.end'],
    ['another element', { extension: [] }, 'Subscription.extension'],
    ['another channel', channel({ type: 'email' }), 'Subscription.channel.type'],
    ['a header, which may be a secret', channel({ header: ['Authorization: Bearer abc'] }), 'Subscription.channel.header'],
    ['another payload', channel({ payload: 'application/fhir+xml' }), 'Subscription.channel.payload'],
    [
      'an unknown content',
      channel({ _payload: { extension: [{ url: 'x', valueCode: 'id-only' }] } }),
      'Subscription.channel.payload.extension',
    ],
    ['an endpoint that is not listed', channel({ endpoint: 'https://elsewhere.example/hooks' }), 'Subscription.channel.endpoint'],
    ['one that only begins like one', channel({ endpoint: 'https://ehr.example/hooks-of-others' }), 'Subscription.channel.endpoint'],
    [
      'one of a host that begins like one',
      channel({ endpoint: 'https://ehr.example.elsewhere.example/hooks' }),
      'Subscription.channel.endpoint',
    ],
    ['one that climbs out', channel({ endpoint: 'https://ehr.example/hooks/../admin' }), 'Subscription.channel.endpoint'],
    ['one that climbs out encoded', channel({ endpoint: 'https://ehr.example/hooks/%2e%2e/admin' }), 'Subscription.channel.endpoint'],
    ['one that climbs out at a proxy', channel({ endpoint: 'https://ehr.example/hooks/..%2Fadmin' }), 'Subscription.channel.endpoint'],
    ['one that does so backwards', channel({ endpoint: 'https://ehr.example/hooks/..%5cadmin' }), 'Subscription.channel.endpoint'],
    ['one that does so by a parameter', channel({ endpoint: 'https://ehr.example/hooks/.%2e;/admin' }), 'Subscription.channel.endpoint'],
    ['one with a user', channel({ endpoint: 'https://ehr.example@elsewhere.example/hooks' }), 'Subscription.channel.endpoint'],
    ['one in the clear', channel({ endpoint: 'http://ehr.example/hooks' }), 'Subscription.channel.endpoint'],
    ['one on another port', channel({ endpoint: 'https://ehr.example:8443/hooks' }), 'Subscription.channel.endpoint'],
    ['one with a backslash', channel({ endpoint: 'https://ehr.example\\@elsewhere.example/hooks' }), 'Subscription.channel.endpoint'],
    ['one that is no URL', channel({ endpoint: 'hooks' }), 'Subscription.channel.endpoint'],
    ['one of a file', channel({ endpoint: 'file:///etc/passwd' }), 'Subscription.channel.endpoint'],
  ])('with %s is refused, and the answer says where', async (_what, changes, expression) => {
    const answer = await post(changes);
    expect([answer.status, (JSON.parse(answer.text) as fhir4.OperationOutcome).issue[0]?.expression]).toEqual([400, [expression]]);
    expect(answer.text).not.toMatch(/elsewhere|passwd|abc/);
    expect((await get<fhir4.Bundle>('Subscription')).total).toBe(0);
  });

  test('gives its events again by number, and a reading once it is released', async () => {
    const { id = '' } = JSON.parse((await post()).text) as fhir4.Subscription;
    await keep(service.store, { id: 'w1', value: '70.50' });
    await keep(service.store, { id: 'w2', held: true });
    await keep(service.store, { id: 'w2' });
    await keep(service.store, { id: 'bmi', of: 'bmi', derivedFrom: ['w1', 'h1'] });
    const all = await service.call('GET', `/fhir/Subscription/${id}/$events`);
    expect(all.text).toContain('"value":70.50');
    const bundle = JSON.parse(all.text) as fhir4.Bundle;
    expect(bundle.entry?.slice(1).map(({ resource, response }) => [resource?.id, response?.etag])).toEqual([
      ['w1', 'W/"1"'],
      ['w2', 'W/"2"'],
    ]);
    const second = await get<fhir4.Bundle>(`Subscription/${id}/$events?eventsSinceNumber=2&eventsUntilNumber=2&content=id-only`);
    expect(second.entry).toMatchObject([{ resource: { resourceType: 'Parameters' } }, { fullUrl: `${service.base}/Observation/w2` }]);
    expect(second.entry?.[1]).not.toHaveProperty('resource');
    expect(JSON.stringify(await get(`Subscription/${id}/$status`))).toContain('"events-since-subscription-start","valueString":"2"');
    for (const query of ['eventsSinceNumber=x', 'content=all', 'other=1'])
      expect((await service.call('GET', `/fhir/Subscription/${id}/$events?${query}`)).status, query).toBe(400);
  });

  test('and whoever asks for its events leave a trace in the audit', async () => {
    const { id = '' } = JSON.parse((await post()).text) as fhir4.Subscription;
    await keep(service.store, { id: 'w1' });
    await service.call('GET', `/fhir/Subscription/${id}/$events`);
    const { events } = await service.store.audit.search({ subtypes: [{ value: 'events' }], count: 9 });
    expect(events.map(({ text }) => text.includes('Patient/ada') && text.includes('Observation/w1/_history/1'))).toEqual([true]);
    expect((await service.store.audit.search({ subtypes: [{ value: 'create' }], count: 9 })).events).toHaveLength(1);
  });

  test('cannot be made in a Bundle', async () => {
    const entry = [{ resource: TAKEN, request: { method: 'POST', url: 'Subscription' } }];
    const answer = await service.post('', JSON.stringify({ resourceType: 'Bundle', type: 'transaction', entry }));
    expect(answer.status).toBeGreaterThanOrEqual(400);
    expect(issueCodes(answer).length).toBeGreaterThan(0);
    expect((await get<fhir4.Bundle>('Subscription')).total).toBe(0);
  });
});
