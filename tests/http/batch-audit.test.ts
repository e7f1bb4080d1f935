/** A batch whose entries fare differently leaves an event for the call, and one for each entry that was not allowed. */
import type * as fhir4 from 'fhir/r4.js';
import { beforeEach, describe, expect, test, vi } from 'vitest';
import { parseExactJson, stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { StoreUnavailable } from '../../src/ports.ts';
import { startGuarded, weightText, type Guarded } from './auth/guarded.ts';
import { treeOf } from './edge.ts';

const GATEWAY = { client_id: 'gateway-a', sub: 'gateway-a', scope: 'system/Observation.c' };

let guarded: Guarded;
beforeEach(async () => {
  guarded = await startGuarded({ 'gateway-a': ['scale-1'] });
});

const reading = (scale: string, minute: number): JsonObject => {
  const parsed = parseExactJson(
    weightText({ device: { reference: `Device/${scale}` }, effectiveDateTime: `2026-03-02T08:0${minute}:00Z` }),
  );
  if (!parsed.ok) throw new TypeError(parsed.problem.reason);
  return parsed.value as JsonObject;
};
const created = (resource: JsonObject) => ({ resource, request: { method: 'POST', url: 'Observation' } });
const put = (place: string, resource: JsonObject) => ({ resource, request: { method: 'PUT', url: place, ifMatch: 'W/"1"' } });

async function postBatch(...entry: object[]): Promise<string[]> {
  const body = stringifyExact({ resourceType: 'Bundle', type: 'batch', entry });
  const answer = await guarded.as(GATEWAY, 'POST', '/fhir', body);
  expect(answer.status).toBe(200);
  return (treeOf(answer) as unknown as fhir4.Bundle).entry?.map(({ response }) => response?.status.slice(0, 3) ?? '') ?? [];
}

async function events(): Promise<fhir4.AuditEvent[]> {
  const { events: stored } = await guarded.service.store.audit.search({ count: 1000 });
  return stored.map(({ text }) => JSON.parse(text) as fhir4.AuditEvent).reverse();
}

const kind = ({ subtype, outcome }: fhir4.AuditEvent) => `${subtype?.map(({ code }) => code).join(' ') ?? ''}: ${outcome ?? ''}`;
const refusals = (told: readonly fhir4.AuditEvent[]) => told.filter((event) => kind(event).includes('access-refused'));

async function registerScale(): Promise<void> {
  const workshop = { client_id: 'workshop', sub: 'workshop', scope: 'system/Device.u steelyard/operate' };
  const scale = JSON.stringify({ resourceType: 'Device', id: 'scale-1' });
  expect((await guarded.as(workshop, 'PUT', '/fhir/Device/scale-1', scale)).status).toBe(201);
}

describe('entries of a batch', () => {
  test('that are not allowed are refusals of access, one event each, beside that of the batch', async () => {
    await registerScale();
    const answered = await postBatch(
      created(reading('scale-9', 1)),
      created(reading('scale-1', 2)),
      put('Observation/w-1', { ...reading('scale-1', 3), id: 'w-1' }),
      put('Patient/ada', { resourceType: 'Patient', id: 'ada' }),
    );
    expect(answered).toEqual(['403', '201', '403', '403']);
    const told = (await events()).slice(1);
    expect(told.map(kind).toSorted()).toEqual([
      'batch: 0',
      'create access-refused: 4',
      'create: 0',
      'update access-refused: 4',
      'update access-refused: 4',
    ]);
    const refused = refusals(told);
    for (const event of refused) {
      expect(event.outcomeDesc).toBe('HTTP 403');
      expect(JSON.stringify(event.agent)).toContain('gateway-a');
      expect(JSON.stringify(event.entity)).toContain('"valueString":"transport-forbidden"');
    }
    const named = refused.map(({ entity = [] }) => entity.flatMap(({ what }) => what?.reference ?? []));
    expect(named).toEqual([[], ['Observation/w-1'], ['Patient/ada']]);
  });

  test('that are not allowed in their hundreds become a few events and a count', async () => {
    const many = Array.from({ length: 200 }, () => created(reading('scale-9', 1)));
    expect(new Set(await postBatch(...many))).toEqual(new Set(['403']));
    expect(refusals(await events())).toHaveLength(5);
  });

  test('that the store could not take leave the event of the batch as it is', async () => {
    await registerScale();
    const write = vi.spyOn(guarded.service.store, 'write').mockRejectedValueOnce(new StoreUnavailable(new Error('disk full')));
    expect(await postBatch(created(reading('scale-1', 1)), created(reading('scale-1', 2)))).toEqual(['503', '201']);
    write.mockRestore();
    expect((await events()).slice(1).map(kind)).toEqual(['create: 0', 'batch: 0']);
  });
});
