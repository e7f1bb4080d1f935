/**
 * What only the service may say of a reading, each field by itself (OWASP API Security Top 10 2023,
 * API3): a sender who says it all the same is not heard, neither when creating nor when correcting.
 */
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { isJsonObject, stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { HELD_TAG, IN_DOUBT_TAG, OURS, REPEAT_TAG, UNASSIGNED_TAG, WEIGH_AGAIN_TAG } from '../../src/core/terminology.ts';
import { objects } from '../published/readings.ts';
import { NOW, weight, type Changes } from '../measurements.ts';
import { startService, type Service } from '../service.ts';
import { treeOf } from './edge.ts';

let service: Service;
beforeAll(async () => {
  service = await startService({ now: NOW });
});
afterAll(() => service.close());

const STRANGE_ID = 'chosen-by-sender';
const tag = (coding: { readonly system: string; readonly code: string }): Changes => ({ meta: { tag: [{ ...coding }] } });
const extension = (url: string, value: JsonObject): Changes => ({ extension: [{ url, ...value }] });

/** A field, and what must not be seen of it in what is stored. */
const FIELDS: readonly [string, Changes, string][] = [
  ['id', { id: STRANGE_ID }, STRANGE_ID],
  ['meta.versionId', { meta: { versionId: '4711' } }, '4711'],
  ['meta.lastUpdated', { meta: { lastUpdated: '1999-01-01T00:00:00Z' } }, '1999-01-01'],
  ['our identifier', { identifier: [{ system: OURS.observationIdentifier, value: STRANGE_ID }] }, STRANGE_ID],
  ['the tag that it is held', tag(HELD_TAG), `"${HELD_TAG.code}"`],
  ['the tag that it repeats another', tag(REPEAT_TAG), `"${REPEAT_TAG.code}"`],
  ['the tag that a second weighing is asked for', tag(WEIGH_AGAIN_TAG), `"${WEIGH_AGAIN_TAG.code}"`],
  ['the tag that its person is not known', tag(UNASSIGNED_TAG), `"${UNASSIGNED_TAG.code}"`],
  ['the tag that its scale is in doubt', tag(IN_DOUBT_TAG), `"${IN_DOUBT_TAG.code}"`],
  ['any other tag of ours', tag({ system: OURS.tagSystem, code: 'made-up' }), 'made-up'],
  ['the status as it was sent', extension(OURS.statusAsSentExtension, { valueCode: 'amended' }), OURS.statusAsSentExtension],
  ['what it repeats', extension(OURS.repeatOfExtension, { valueReference: { reference: 'Observation/x' } }), OURS.repeatOfExtension],
  ['where it was moved to', extension(OURS.movedToExtension, { valueReference: { reference: 'Observation/x' } }), OURS.movedToExtension],
  [
    'where it was moved from',
    extension(OURS.movedFromExtension, { valueReference: { reference: 'Observation/x' } }),
    OURS.movedFromExtension,
  ],
  [
    'what was decided',
    extension(OURS.decisionExtension, { extension: [{ url: 'verdict', valueCode: 'accepted' }] }),
    OURS.decisionExtension,
  ],
  [
    'what was added to it',
    extension(OURS.enrichmentExtension, { extension: [{ url: 'what', valueString: 'method' }] }),
    OURS.enrichmentExtension,
  ],
  ['the policy version', extension(OURS.policyVersionExtension, { valueString: 'site-0' }), OURS.policyVersionExtension],
  [
    'how it compares',
    extension(OURS.comparisonExtension, { extension: [{ url: 'comparable', valueBoolean: true }] }),
    OURS.comparisonExtension,
  ],
];

let minute = 0;
const text = (changes: Changes, value = '70.0'): string =>
  stringifyExact(
    weight(value, 'kg', {
      subject: { reference: `Patient/p${minute}` },
      device: { reference: 'Device/scale-1' },
      ...changes,
    }),
  );
const idOf = (location: string | undefined): string => /Observation\/([^/]+)/.exec(location ?? '')?.[1] ?? '';

async function expectUnheard(id: string, version: string, unseen: string): Promise<void> {
  const { text: stored } = await service.call('GET', `/fhir/Observation/${id}`);
  expect(stored).not.toContain(unseen);
  const { meta, status } = JSON.parse(stored) as { meta: { versionId: string; lastUpdated: string; tag?: object[] }; status: string };
  expect([meta.versionId, meta.lastUpdated.slice(0, 16), meta.tag, status === 'preliminary']).toEqual([
    version,
    NOW.slice(0, 16),
    undefined,
    false,
  ]);
  // a search by what was claimed finds nothing
  const held = treeOf(await service.call('GET', `/fhir/Observation?patient=p${minute}&_tag=${encodeURIComponent(`${OURS.tagSystem}|`)}`));
  expect(objects(held['entry'])).toEqual([]);
}

describe('what a sender says of', () => {
  test.each(FIELDS)('%s is not heard, in a new reading and in a correction', async (_field, changes, unseen) => {
    minute += 1;
    const created = await service.post('Observation', text(changes));
    expect(created.status, created.text).toBe(201);
    const id = idOf(created.headers.location);
    await expectUnheard(id, '1', unseen);

    const corrected = await service.call('PUT', `/fhir/Observation/${id}`, {
      headers: { 'Content-Type': 'application/fhir+json', 'If-Match': 'W/"1"' },
      body: text({ ...changes, id }, '70.5'),
    });
    expect(corrected.status, corrected.text).toBe(200);
    await expectUnheard(id, '2', unseen);
  });

  test('the policy version, the author and the verdict is not heard: a Provenance cannot be written at all', async () => {
    const provenance = '{"resourceType":"Provenance","id":"prov-x-1"}';
    for (const [method, path] of [
      ['POST', '/fhir/Provenance'],
      ['PUT', '/fhir/Provenance/prov-x-1'],
    ] as const) {
      const { status } = await service.call(method, path, { headers: { 'Content-Type': 'application/fhir+json' }, body: provenance });
      expect(status).toBe(405);
    }
    const inBundle = await service.post(
      '',
      `{"resourceType":"Bundle","type":"batch","entry":[{"resource":${provenance},"request":{"method":"PUT","url":"Provenance/prov-x-1"}}]}`,
    );
    const [entry] = objects(treeOf(inBundle)['entry']);
    expect(isJsonObject(entry?.['response']) && entry['response']['status']).toBe('405 Method Not Allowed');
  });

  test('id and version of a registry resource is not heard', async () => {
    const body = '{"resourceType":"Patient","id":"eve","meta":{"versionId":"4711","lastUpdated":"1999-01-01T00:00:00Z"}}';
    const headers = { 'Content-Type': 'application/fhir+json' };
    expect((await service.call('PUT', '/fhir/Patient/eve', { headers, body })).status).toBe(201);
    const { meta } = JSON.parse((await service.call('GET', '/fhir/Patient/eve')).text) as {
      meta: { versionId: string; lastUpdated: string };
    };
    expect([meta.versionId, meta.lastUpdated.slice(0, 16)]).toEqual(['1', NOW.slice(0, 16)]);
    expect((await service.call('PUT', '/fhir/Patient/adam', { headers, body })).status).toBe(400);
  });
});
