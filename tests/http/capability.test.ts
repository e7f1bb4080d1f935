import { beforeEach, describe, expect, test } from 'vitest';
import type * as fhir4 from 'fhir/r4.js';
import type { PublishedArtefact } from '../../src/http/serving.ts';
import { startEdge, type Edge } from './edge.ts';
import { keep } from './stored.ts';

const artefact = (type: PublishedArtefact['type'], id: string, name: string): PublishedArtefact => ({
  type,
  id,
  name,
  url: `https://steelyard.example/fhir/${type}/${id}`,
  text: `{"resourceType":"${type}","id":"${id}"}`,
});
const ARTEFACTS = [
  artefact('StructureDefinition', 'x', 'BedsideBodyWeight'),
  artefact('StructureDefinition', 'y', 'DerivedBmi'),
  artefact('ValueSet', 'x', 'Methods'),
  artefact('CodeSystem', 'x', 'Rules'),
  artefact('ConceptMap', 'x', 'MdcToLoinc'),
  artefact('OperationDefinition', 'x', 'Assess'),
  artefact('CapabilityStatement', 'x', 'Steelyard'),
];

let edge: Edge;
let statement: fhir4.CapabilityStatement;
beforeEach(async () => {
  const resource = { type: 'Observation' as const, id: 'x', version: 1, lastUpdated: '2026-11-25T10:00:00.000000Z', text: '{}' };
  const answer = {
    status: 201 as const,
    verdict: 'accepted' as const,
    resource,
    outcome: { resourceType: 'OperationOutcome' as const, issue: [] },
  };
  edge = await startEdge({
    serving: { artefacts: ARTEFACTS, subscriptions: { targets: ['https://ehr.example/hooks'], added: () => undefined } },
    intake: {
      create: () => Promise.resolve(answer),
      correct: () => Promise.resolve(answer),
      putRegistry: () => Promise.resolve(answer),
      bundle: () => Promise.resolve({ status: 200, body: { resourceType: 'Bundle' } }),
      decide: () => Promise.resolve({ ...answer, status: 200, observation: resource }),
      undo: () => Promise.resolve({ ...answer, status: 200, observation: resource }),
      claim: () => Promise.resolve({ ...answer, status: 200, observation: resource }),
      assess: () => Promise.resolve({ verdict: 'accepted', outcome: answer.outcome, derived: [] }),
    },
  });
  await keep(edge.store, { id: 'x' });
  await subscribe();
  await edge.store.write(async (tx) => {
    for (const type of ['Patient', 'Device', 'DeviceMetric', 'Provenance'] as const) {
      await tx.putRegistry(type, 'x', { resourceType: type, id: 'x' }, { identifiers: [], references: [] });
    }
  });
  statement = JSON.parse((await edge.call('GET', '/fhir/metadata')).text) as fhir4.CapabilityStatement;
});

const SUBSCRIPTION = {
  resourceType: 'Subscription',
  status: 'requested',
  reason: 'Heights for the ward plan',
  criteria: 'Observation?code=8302-2',
  channel: { type: 'rest-hook', endpoint: 'https://ehr.example/hooks/1', payload: 'application/fhir+json' },
};

async function subscribe(): Promise<void> {
  const { status, ...text } = SUBSCRIPTION;
  expect(status).toBe('requested');
  await edge.store.subscriptions.add({ id: 'x', text: JSON.stringify(text), filter: {} }, 9, 0, { requestId: 'r', caller: {} });
}

const rest = (): fhir4.CapabilityStatementRest => {
  const [only] = statement.rest ?? [];
  if (!only) throw new Error('no rest element');
  return only;
};

const json = { 'Content-Type': 'application/fhir+json', 'If-Match': 'W/"1"' };
const CALLS: Readonly<Record<string, (type: string) => Promise<number>>> = {
  create: async (type) =>
    (
      await edge.call('POST', `/fhir/${type}`, {
        headers: json,
        body: type === 'Subscription' ? JSON.stringify(SUBSCRIPTION) : `{"resourceType":"${type}"}`,
      })
    ).status,
  update: async (type) =>
    (await edge.call('PUT', `/fhir/${type}/x`, { headers: json, body: `{"resourceType":"${type}","id":"x"}` })).status,
  patch: async (type) => (await edge.call('PATCH', `/fhir/${type}/x`, { headers: json, body: '[]' })).status,
  // audit events have numbers: the first one is there before this call
  read: async (type) => (await edge.call('GET', `/fhir/${type}/${type === 'AuditEvent' ? '1' : 'x'}`)).status,
  vread: async (type) => (await edge.call('GET', `/fhir/${type}/x/_history/1`)).status,
  'history-instance': async (type) => (await edge.call('GET', `/fhir/${type}/x/_history`)).status,
  'history-type': async (type) => (await edge.call('GET', `/fhir/${type}/_history`)).status,
  'search-type': async (type) => (await edge.call('GET', `/fhir/${type}`)).status,
  // last, for what is deleted cannot be read
  delete: async (type) => (await edge.call('DELETE', `/fhir/${type}/x`)).status,
};

describe('the CapabilityStatement', () => {
  test('says what an R4 instance must say', () => {
    expect(statement).toMatchObject({
      resourceType: 'CapabilityStatement',
      status: 'active',
      kind: 'instance',
      fhirVersion: '4.0.1',
      date: '2026-11-25T10:00:00.000Z',
      implementation: { url: `${edge.url}/fhir`, description: expect.stringMatching(/weight/) as string },
      format: ['application/fhir+json', 'json'],
    });
    const observation = rest().resource?.find(({ type }) => type === 'Observation');
    expect(observation).toMatchObject({ versioning: 'versioned', conditionalCreate: true, updateCreate: false });
    expect(observation?.documentation).toMatch(/resend/);
    expect(observation?.operation?.map(({ name }) => name)).toEqual(['validate', 'assess', 'decide', 'undo', 'claim']);
  });

  test('every listed interaction answers, and every other is refused', async () => {
    for (const { type, interaction } of rest().resource ?? []) {
      const listed = new Set<string>(interaction?.map(({ code }) => code));
      for (const [code, call] of Object.entries(CALLS)) {
        const status = await call(type);
        if (listed.has(code)) expect(status, `${type} ${code}`).toBeLessThan(300);
        else expect([404, 405], `${type} ${code}`).toContain(status);
      }
    }
  });

  test('every listed search parameter answers, in GET and POST, and no other does', async () => {
    const values: Readonly<Record<string, string>> = { date: '2026', _lastUpdated: '2026', entity: 'Observation/x' };
    const all = new Set((rest().resource ?? []).flatMap(({ searchParam }) => (searchParam ?? []).map(({ name }) => name)));
    for (const { type, searchParam } of rest().resource ?? []) {
      const listed = new Set(searchParam?.map(({ name }) => name));
      expect(listed.size).toBeGreaterThan(0);
      for (const name of all) {
        const query = `${name}=${values[name] ?? 'x'}`;
        const byGet = await edge.call('GET', `/fhir/${type}?${query}`);
        const byPost = await edge.call('POST', `/fhir/${type}/_search`, {
          headers: { 'Content-Type': 'application/x-www-form-urlencoded' },
          body: query,
        });
        expect([byGet.status, byPost.status], `${type} ${query}`).toEqual(listed.has(name) ? [200, 200] : [400, 400]);
      }
    }
  });

  test('every listed operation and include answers, and both spellings of the dollar sign', async () => {
    const observation = rest().resource?.find(({ type }) => type === 'Observation');
    for (const { name } of observation?.operation ?? []) {
      const on = ['decide', 'undo', 'claim'].includes(name) ? 'x/' : '';
      for (const dollar of ['$', '%24']) {
        expect((await edge.post(`/fhir/Observation/${on}${dollar}${name}`, '{"resourceType":"Observation"}')).status).toBe(200);
      }
    }
    for (const include of observation?.searchInclude ?? []) {
      expect((await edge.call('GET', `/fhir/Observation?_include=${include}`)).status).toBe(200);
    }
    expect((await edge.post('/fhir/Observation/$everything', '{"resourceType":"Observation"}')).status).toBe(405);
  });

  test('transaction and batch are taken at the base', async () => {
    expect(rest().interaction?.map(({ code }) => code)).toEqual(['transaction', 'batch']);
    expect((await edge.post('/fhir', '{"resourceType":"Bundle","type":"batch"}')).status).toBe(200);
  });
});

describe('of the service as a whole, the CapabilityStatement', () => {
  test('lists the export, which answers, and no other operation', async () => {
    expect(rest().operation).toMatchObject([{ name: 'export', definition: 'http://hl7.org/fhir/uv/bulkdata/OperationDefinition/export' }]);
    for (const dollar of ['$', '%24'])
      expect((await edge.call('GET', `/fhir/${dollar}export`, { headers: { Prefer: 'respond-async' } })).status).toBe(202);
    expect((await edge.call('GET', '/fhir/$meta')).status).toBe(404);
  });

  test('lists operations on one Subscription, which answer', async () => {
    const subscription = rest().resource?.find(({ type }) => type === 'Subscription');
    expect(subscription).toMatchObject({ versioning: 'no-version', updateCreate: false });
    expect(subscription?.operation?.map(({ name }) => name)).toEqual(['status', 'events']);
    for (const { name } of subscription?.operation ?? [])
      expect((await edge.call('GET', `/fhir/Subscription/x/$${name}`)).status, name).toBe(200);
  });

  test('lists no create of Subscriptions where the operator allows no endpoint, and none is taken', async () => {
    edge = await startEdge();
    statement = JSON.parse((await edge.call('GET', '/fhir/metadata')).text) as fhir4.CapabilityStatement;
    const subscription = rest().resource?.find(({ type }) => type === 'Subscription');
    expect(subscription?.interaction?.map(({ code }) => code)).toEqual(['read', 'delete', 'search-type']);
    expect((await edge.post('/fhir/Subscription', JSON.stringify(SUBSCRIPTION))).status).toBe(404);
    expect((await edge.call('GET', '/fhir/Subscription')).status).toBe(200);
  });
});

describe('the artefacts', () => {
  const found = async (query: string) => {
    const bundle = JSON.parse((await edge.call('GET', `/fhir/${query}`)).text) as fhir4.Bundle;
    return (bundle.entry ?? []).map(({ resource }) => `${resource?.resourceType ?? ''}/${resource?.id ?? ''}`);
  };

  test.each([
    ['StructureDefinition', ['StructureDefinition/x', 'StructureDefinition/y']],
    ['StructureDefinition?url=https://steelyard.example/fhir/StructureDefinition/y', ['StructureDefinition/y']],
    ['StructureDefinition?name=bedside', ['StructureDefinition/x']],
    ['StructureDefinition?_id=x&name=Derived', []],
    ['CodeSystem?_id=x,y', ['CodeSystem/x']],
  ])('%s finds %j', async (query, ids) => {
    expect(await found(query)).toEqual(ids);
  });

  test('are given as they are published', async () => {
    expect((await edge.call('GET', '/fhir/ConceptMap/x')).text).toBe('{"resourceType":"ConceptMap","id":"x"}');
  });
});
