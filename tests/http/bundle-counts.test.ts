/** What metrics and log say of the readings in a Bundle. */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { JsonObject } from '../../src/core/json.ts';
import { ServiceError, toServiceOutcome } from '../../src/errors.ts';
import { objects, observationText, patientText, postEntry, putEntry, type Measured } from '../published/readings.ts';
import { startService, type Service } from '../service.ts';
import { startEdge, treeOf } from './edge.ts';

const weight = (value: string, at: Partial<Measured> = {}) =>
  observationText({ person: 'ada-invented', of: 'weight', value, unit: 'kg', at: '2026-03-02T08:00:00Z', ...at });
const ADA = putEntry(patientText('ada-invented', '1985-06-01', 'female'), 'Patient/ada-invented');
const bundle = (type: 'batch' | 'transaction', entries: readonly string[]) =>
  `{"resourceType":"Bundle","type":"${type}","entry":[${entries.join(',')}]}`;

/** Lines of one counter that counted something, without its name. */
const counted = (metrics: string, name: string) =>
  metrics
    .split('\n')
    .filter((line) => line.startsWith(`${name}{`) && !line.endsWith('} 0'))
    .map((line) => line.slice(name.length))
    .sort();

describe('the readings of a Bundle are counted by what became of them', () => {
  let service: Service;
  beforeEach(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
  });
  afterEach(() => service.close());

  const readings = async () => counted((await service.call('GET', '/metrics')).text, 'steelyard_readings_total');
  const lastLine = () => JSON.parse(service.logLines.filter((line) => line.includes('"route":"/fhir/"')).at(-1) ?? '{}') as unknown;

  test('a batch: each on its own, people and scales not at all', async () => {
    const entries = [ADA, postEntry(weight('70.5')), postEntry(weight('70.53', { at: '2026-03-02T08:10:00Z' }))];
    expect((await service.post('', bundle('batch', entries))).status).toBe(200);
    expect(await readings()).toEqual(['{verdict="accepted"} 1', '{verdict="refused"} 1']);
    expect(lastLine()).toMatchObject({ verdicts: ['accepted', 'refused'], ruleIds: expect.arrayContaining(['precision-step']) as unknown });
  });

  test.each(['batch', 'transaction'] as const)('a correction in a %s is an acceptance, the same reading again is resent', async (type) => {
    const first = await service.post('Observation', weight('70.5'));
    const id = String(treeOf(first)['id']);
    const corrected = putEntry(weight('71.5').replace('{', `{"id":"${id}",`), `Observation/${id}`).replace(
      '"method":"PUT"',
      '"method":"PUT","ifMatch":"W/\\"1\\""',
    );
    const answer = await service.post('', bundle(type, [corrected]));
    expect(objects(treeOf(answer)['entry'])).toMatchObject([{ response: { status: '200 OK', etag: 'W/"2"' } }]);
    expect(await readings()).toEqual(['{verdict="accepted"} 2']);

    await service.post('', bundle(type, [postEntry(weight('71.5'))]));
    expect(await readings()).toEqual(['{verdict="accepted"} 2', '{verdict="resent"} 1']);
  });

  test('a transaction that a rule refuses counts once, with its rule, and none of its other readings does', async () => {
    const entries = [ADA, postEntry(weight('70.5')), postEntry(weight('70.53', { at: '2026-03-02T08:10:00Z' }))];
    expect((await service.post('', bundle('transaction', entries))).status).toBe(422);
    expect(await readings()).toEqual(['{verdict="refused"} 1']);
    expect(counted((await service.call('GET', '/metrics')).text, 'steelyard_findings_total')).toEqual(['{rule="precision-step"} 1']);
    expect(lastLine()).toMatchObject({ status: 422, verdicts: ['refused'], ruleIds: ['precision-step'] });
  });

  test('a refused Patient is no reading', async () => {
    const entry = putEntry('{"resourceType":"Patient","id":"p","birthDate":"yesterday"}', 'Patient/p');
    expect((await service.post('', bundle('transaction', [entry]))).status).toBeGreaterThanOrEqual(400);
    expect(await readings()).toEqual([]);
  });

  test('a transaction that asks for what is not served was not judged: the log has the error', async () => {
    const entry = putEntry(weight('70.5').replace('{', '{"id":"nobody",'), 'Observation/nobody');
    expect((await service.post('', bundle('transaction', [entry]))).status).toBe(400);
    expect(await readings()).toEqual([]);
    expect(lastLine()).toMatchObject({ status: 400, ruleIds: ['transport-if-match-required'] });
  });
});

test('entries of a batch that the store could not take are not counted as judged', async () => {
  const outcome = toServiceOutcome(new ServiceError('ERR_STORE_UNAVAILABLE', 'Send it again.')) as unknown as JsonObject;
  const entry = [{ response: { status: '201 Created' } }, { response: { status: '503 Service Unavailable', outcome } }];
  const body: JsonObject = { resourceType: 'Bundle', type: 'batch-response', entry };
  const edge = await startEdge({ intake: { bundle: () => Promise.resolve({ status: 200, body }) } });
  await edge.post('/fhir', bundle('batch', [postEntry(weight('70.5')), postEntry(weight('71.0'))]));
  const { text } = await edge.call('GET', '/metrics');
  expect(counted(text, 'steelyard_readings_total')).toEqual(['{verdict="accepted"} 1']);
  expect(counted(text, 'steelyard_findings_total')).toEqual([]);
  expect(edge.logLines.join('')).toContain('"ruleIds":["transport-store-unavailable"]');
});
