/** `$affected` and `$recall` on a Device, over HTTP, with the real use case behind it. */
import { describe, expect, test } from 'vitest';
import { stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { createIntake } from '../../src/ingest.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { height, weight } from '../measurements.ts';
import { CLOCK, issueCodes, startEdge, treeOf, type Answer, type Edge } from './edge.ts';

async function ward(): Promise<Edge> {
  const store = await openSqliteStore(':memory:', { clock: CLOCK });
  let issued = 0;
  const newId = (): string => `r${(issued += 1)}`;
  const intake = createIntake({ store, clock: CLOCK, policy: () => DEFAULT_POLICY, newId, knownBases: [], forwards: true });
  const edge = await startEdge({ intake, serving: { store } });
  await send(edge, 'PUT', '/fhir/Device/s1', { resourceType: 'Device', id: 's1' });
  const device = { reference: 'Device/s1' };
  await send(edge, 'POST', '/fhir/Observation', height('170.0', 'cm', { effectiveDateTime: '2026-11-20T07:00:00Z' }));
  for (const day of ['21', '22', '23'])
    await send(edge, 'POST', '/fhir/Observation', weight(`70.${day[1]}`, 'kg', { device, effectiveDateTime: `2026-11-${day}T08:00:00Z` }));
  return edge;
}

function send(edge: Edge, method: string, path: string, body: object): Promise<Answer> {
  return edge.call(method, path, { body: stringifyExact(body), headers: { 'Content-Type': 'application/fhir+json' } });
}

const parameters = (...parameter: object[]): object => ({ resourceType: 'Parameters', parameter });
const SINCE = { name: 'since', valueDateTime: '2026-11-22' };
const ACTION = { name: 'action', valueCode: 'flagged' };
const REASON = { name: 'reason', valueString: 'Dropped on the 22nd' };
const WHO = { name: 'who', valueReference: { reference: 'Practitioner/tess-testperson', display: 'Tess Testperson (invented)' } };

interface Searchset {
  readonly total: { readonly value: string };
  readonly link: readonly { readonly relation: string; readonly url: string }[];
  readonly entry: readonly { readonly resource: { readonly id: string }; readonly search: { readonly mode: string } }[];
}
const searchset = (answer: Answer): Searchset => treeOf(answer) as unknown as Searchset;
const shown = (answer: Answer): string[] => searchset(answer).entry.map(({ resource, search }) => `${search.mode} ${resource.id}`);
const valuesOf = (answer: Answer, name: string): unknown[] =>
  (treeOf(answer)['parameter'] as JsonObject[])
    .filter((one) => one['name'] === name)
    .map((one) => one['valueString'] ?? one['valueReference'] ?? (one['valueInteger'] as unknown as { value: string } | undefined)?.value);

describe('$affected', () => {
  test('by GET and by POST lists readings as matches and their BMI as included', async () => {
    const edge = await ward();
    const wanted = ['match r3', 'match r4', 'include bmi-r3', 'include bmi-r4'];
    const byGet = await edge.call('GET', '/fhir/Device/s1/$affected?since=2026-11-22');
    expect([byGet.status, shown(byGet), searchset(byGet).total.value]).toEqual([200, wanted, '2']);
    expect(shown(await edge.call('GET', '/fhir/Device/s1/%24affected?since=2026-11-22'))).toEqual(wanted);
    expect(shown(await send(edge, 'POST', '/fhir/Device/s1/$affected', parameters(SINCE)))).toEqual(wanted);
    expect(searchset(byGet).link).toEqual([{ relation: 'self', url: `${edge.url}/fhir/Device/s1/$affected?since=2026-11-22&_count=100` }]);
  });

  test('goes on where a page ends', async () => {
    const edge = await ward();
    const first = await edge.call('GET', '/fhir/Device/s1/$affected?since=2026-11-01T00:00:00%2B01:00&_count=2');
    expect(shown(first).slice(0, 2)).toEqual(['match r2', 'match r3']);
    const next = searchset(first).link.find(({ relation }) => relation === 'next')?.url as string;
    const second = await edge.call('GET', next.slice(edge.url.length));
    expect([shown(second), searchset(second).total.value]).toEqual([['match r4', 'include bmi-r4'], '3']);
    expect(searchset(second).link.map(({ relation }) => relation)).toEqual(['self']);
  });

  test.each([
    ['no since', '', 'http.query'],
    ['a since that is no day', '?since=2026-11', 'http.since'],
    ['a time without an offset', '?since=2026-11-22T08:00:00', 'http.since'],
    ['two of them', '?since=2026-11-22&since=2026-11-23', 'http.since'],
    ['an unknown parameter', '?since=2026-11-22&until=2026-11-23', 'http.until'],
    ['a count that is none', '?since=2026-11-22&_count=many', 'http._count'],
    ['a cursor of another search', '?since=2026-11-22&_cursor=abc', 'http.request'],
  ])('refuses %s', async (_what, query, expression) => {
    const edge = await ward();
    const answer = await edge.call('GET', `/fhir/Device/s1/$affected${query}`);
    expect([answer.status, (treeOf(answer)['issue'] as JsonObject[])[0]?.['expression']]).toEqual([400, [expression]]);
  });

  test('answers 404 for a scale that is not registered, and 405 for another method', async () => {
    const edge = await ward();
    expect((await edge.call('GET', '/fhir/Device/s9/$affected?since=2026-11-22')).status).toBe(404);
    const put = await send(edge, 'PUT', '/fhir/Device/s1/$affected', parameters(SINCE));
    expect([put.status, put.headers.allow]).toEqual([405, 'GET, POST, HEAD']);
  });
});

describe('$recall', () => {
  test('marks and says what it marked; called again it says that nothing was changed', async () => {
    const edge = await ward();
    const first = await send(edge, 'POST', '/fhir/Device/s1/$recall', parameters(SINCE, ACTION, REASON, WHO));
    expect(first.status).toBe(200);
    expect(valuesOf(first, 'message')).toEqual(['2 of 2 readings of this scale since then were marked as flagged.']);
    expect(['affected', 'alreadyMarked', 'marked', 'derivedChanged'].map((name) => valuesOf(first, name))).toEqual([
      ['2'],
      ['0'],
      ['2'],
      ['2'],
    ]);
    expect(valuesOf(first, 'reading')).toEqual([{ reference: 'Observation/r3' }, { reference: 'Observation/r4' }]);
    expect(valuesOf(first, 'derived')).toEqual([{ reference: 'Observation/bmi-r3' }, { reference: 'Observation/bmi-r4' }]);
    const flagged = await edge.call('GET', '/fhir/Observation?_tag=scale-in-doubt&_sort=_id');
    expect(shown(flagged)).toEqual(['match bmi-r3', 'match bmi-r4', 'match r3', 'match r4']);
    const again = await send(edge, 'POST', '/fhir/Device/s1/$recall', parameters(SINCE, ACTION, REASON, WHO));
    expect(valuesOf(again, 'message')).toEqual(['All 2 readings of this scale since then were marked before; nothing was changed.']);
    expect([valuesOf(again, 'marked'), valuesOf(again, 'reading')]).toEqual([['0'], []]);
  });

  test('takes a name for who, and keeps it in the Provenance', async () => {
    const edge = await ward();
    const withdraw = { name: 'action', valueCode: 'entered-in-error' };
    const who = { name: 'who', valueString: 'Tess Testperson (invented), medical engineering' };
    await send(edge, 'POST', '/fhir/Device/s1/$recall', parameters(SINCE, withdraw, REASON, who));
    const { agent, reason } = treeOf(await edge.call('GET', '/fhir/Provenance/prov-r3-2'));
    expect([(agent as JsonObject[])[0]?.['who'], reason]).toEqual([{ display: who.valueString }, [{ text: REASON.valueString }]]);
    expect(treeOf(await edge.call('GET', '/fhir/Observation/r3'))['status']).toBe('entered-in-error');
  });

  test.each<[string, object, string]>([
    ['no Parameters', { resourceType: 'Device', id: 's1' }, 'Parameters'],
    ['no since', parameters(ACTION, REASON, WHO), 'Parameters.parameter'],
    ['no reason', parameters(SINCE, ACTION, WHO), 'Parameters.parameter'],
    ['an empty reason', parameters(SINCE, ACTION, { name: 'reason', valueString: ' ' }, WHO), 'Parameters.parameter[2]'],
    [
      'a reason of a thousand words',
      parameters(SINCE, ACTION, { name: 'reason', valueString: 'so '.repeat(1000) }, WHO),
      'Parameters.parameter[2]',
    ],
    ['nobody', parameters(SINCE, ACTION, REASON), 'Parameters.parameter'],
    [
      'a who that names nobody',
      parameters(SINCE, ACTION, REASON, { name: 'who', valueReference: { reference: '?' } }),
      'Parameters.parameter[3]',
    ],
    ['another action', parameters(SINCE, { name: 'action', valueCode: 'deleted' }, REASON, WHO), 'Parameters.parameter[1]'],
    ['a since that is no time', parameters({ name: 'since', valueDateTime: '2026' }, ACTION, REASON, WHO), 'Parameters.parameter[0]'],
    ['an unknown parameter', parameters(SINCE, ACTION, REASON, WHO, { name: 'until', valueDate: '2026-11-23' }), 'Parameters.parameter[4]'],
    ['a parameter twice', parameters(SINCE, SINCE, ACTION, REASON, WHO), 'Parameters.parameter[1]'],
  ])('refuses %s, and changes nothing', async (_what, body, expression) => {
    const edge = await ward();
    const answer = await send(edge, 'POST', '/fhir/Device/s1/$recall', body);
    expect([answer.status, (treeOf(answer)['issue'] as JsonObject[])[0]?.['expression']]).toEqual([400, [expression]]);
    expect(issueCodes(answer)).toHaveLength(1);
    expect(treeOf(await edge.call('GET', '/fhir/Observation/r3'))['meta']).toMatchObject({ versionId: '1' });
  });
});

describe('chairs', () => {
  test('are found by whose they are', async () => {
    const edge = await ward();
    await send(edge, 'PUT', '/fhir/Device/chair-1', { resourceType: 'Device', id: 'chair-1', patient: { reference: 'Patient/ada' } });
    expect(shown(await edge.call('GET', '/fhir/Device?patient=ada'))).toEqual(['match chair-1']);
    expect(shown(await edge.call('GET', '/fhir/Device?patient=Patient/ada'))).toEqual(['match chair-1']);
    expect(searchset(await edge.call('GET', '/fhir/Device?patient=bo')).total.value).toBe('0');
  });
});
