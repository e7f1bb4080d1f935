import type * as fhir4 from 'fhir/r4.js';
import { describe, expect, test } from 'vitest';
import type { JsonObject } from '../../src/core/json.ts';
import { HELD_TAG } from '../../src/core/terminology.ts';
import { issueCodes, startEdge, treeOf, type Answer, type Edge } from './edge.ts';
import { IDENTIFIER_SYSTEM, keep } from './stored.ts';

interface Page {
  readonly ids: string[];
  readonly modes: string[];
  readonly total: number | undefined;
  readonly links: Readonly<Record<string, string>>;
}

function pageOf(answer: Answer): Page {
  expect(answer.status, answer.text).toBe(200);
  const bundle = JSON.parse(answer.text) as fhir4.Bundle;
  expect([bundle.resourceType, bundle.type]).toEqual(['Bundle', 'searchset']);
  const entries = bundle.entry ?? [];
  return {
    ids: entries.map(({ resource }) => resource?.id ?? ''),
    modes: entries.map(({ search: { mode = '' } = {} }) => mode),
    total: bundle.total,
    links: Object.fromEntries((bundle.link ?? []).map(({ relation, url }) => [relation, url])),
  };
}

/** Ada: a weight, a height, their BMI and a held weight. Bea: one weight, by identifier. */
async function ward(): Promise<Edge> {
  const edge = await startEdge();
  await keep(edge.store, { id: 'w1', value: '70.50', time: '2026-11-20T08:00:00Z', identifier: 'r1', device: 'Device/scale1' });
  await keep(edge.store, { id: 'h1', of: 'height', value: '170.0', time: '2026-11-19T08:00:00Z' });
  await keep(edge.store, { id: 'b1', of: 'bmi', value: '24.4', time: '2026-11-20T08:00:00Z', derivedFrom: ['w1', 'h1'] });
  await keep(edge.store, { id: 'w2', value: '7.0', time: '2026-11-21T08:00:00Z', held: true });
  await keep(edge.store, { id: 'w3', value: '81.0', time: '2026-11-22T08:00:00Z', person: 'identifier:urn:example:mrn|42' });
  await keep(edge.store, { id: 'w4', value: '82.0', time: '2026-10-31T23:59:59Z', person: 'Patient/cara', status: 'amended' });
  return edge;
}

const search = async (edge: Edge, query: string, headers: Record<string, string> = {}) =>
  pageOf(await edge.call('GET', `/fhir/Observation${query}`, { headers }));

describe('a search for Observations', () => {
  test.each([
    ['', ['w1', 'h1', 'b1', 'w3', 'w4']],
    ['?_id=w1,b1', ['w1', 'b1']],
    ['?patient=ada', ['w1', 'h1', 'b1']],
    ['?patient=Patient/ada,Patient/cara', ['w1', 'h1', 'b1', 'w4']],
    ['?subject=Patient/ada', ['w1', 'h1', 'b1']],
    ['?subject:Patient=ada', ['w1', 'h1', 'b1']],
    ['?subject:identifier=urn:example:mrn%7C42', ['w3']],
    ['?patient.identifier=urn:example:mrn%7C42', ['w3']],
    ['?patient=nobody', []],
    ['?code=39156-5', ['b1']],
    ['?code=http://loinc.org%7C39156-5,8302-2', ['h1', 'b1']],
    ['?code=%7C39156-5', []],
    ['?category=vital-signs&code=8302-2', ['h1']],
    ['?date=2026-11-20', ['w1', 'b1']],
    ['?date=2026-11', ['w1', 'h1', 'b1', 'w3']],
    ['?date=ge2026-11-20&date=lt2026-11-22', ['w1', 'b1']],
    ['?date=le2026-10', ['w4']],
    ['?date=eb2026-11-20', ['h1', 'w4']],
    ['?status=amended', ['w4']],
    ['?status=preliminary', ['w2']],
    [`?_tag=${HELD_TAG.system}%7C${HELD_TAG.code}`, ['w2']],
    ['?_tag=held', ['w2']],
    [`?identifier=${IDENTIFIER_SYSTEM}%7Cr1`, ['w1']],
    ['?device=Device/scale1', ['w1']],
    ['?device=scale1', ['w1']],
    ['?derived-from=Observation/w1', ['b1']],
    ['?derived-from=h1', ['b1']],
    ['?_lastUpdated=ge2020', ['w1', 'h1', 'b1', 'w3', 'w4']],
    ['?_lastUpdated=gt2040', []],
    ['?_sort=date', ['w4', 'h1', 'w1', 'b1', 'w3']],
    ['?_sort=-_id', ['w4', 'w3', 'w1', 'h1', 'b1']],
    ['?_format=json&patient=cara', ['w4']],
  ])('%s finds %j', async (query, ids) => {
    const edge = await ward();
    const found = await search(edge, query);
    expect(query.includes('_sort') ? found.ids : [...found.ids].sort()).toEqual(query.includes('_sort') ? ids : [...ids].sort());
    expect(new Set(found.modes)).toEqual(new Set(ids.length > 0 ? ['match'] : []));
  });

  test('gives every resource as it is stored, digit for digit, under its address', async () => {
    const edge = await ward();
    const stored = await edge.store.read.current('Observation', 'w1');
    const answer = await edge.call('GET', '/fhir/Observation?_id=w1');
    expect(answer.text).toContain(
      `{"fullUrl":"${edge.url}/fhir/Observation/w1","resource":${stored?.text ?? ''},"search":{"mode":"match"}}`,
    );
    expect(answer.text).toContain('70.50');
  });

  test('an empty result has no entry element, since FHIR knows no empty list', async () => {
    const edge = await ward();
    expect(treeOf(await edge.call('GET', '/fhir/Observation?patient=nobody'))['entry']).toBeUndefined();
  });

  test('the readings that a BMI was derived from come along when asked for, once', async () => {
    const edge = await ward();
    const found = await search(edge, '?code=39156-5,29463-7&patient=ada&_include=Observation:derived-from');
    expect(found.ids.map((id, at) => `${id} ${found.modes[at] ?? ''}`).sort()).toEqual(['b1 match', 'h1 include', 'w1 match']);
    expect(found.total).toBe(2);
  });

  test('a held reading does not come along either, unless held ones are asked for', async () => {
    const edge = await ward();
    await keep(edge.store, { id: 'b2', of: 'bmi', value: '2.4', status: 'entered-in-error', derivedFrom: ['w2', 'h1'] });
    await keep(edge.store, { id: 'b3', of: 'bmi', value: '2.4', held: true, derivedFrom: ['w2', 'h1'] });
    const include = '_include=Observation:derived-from';
    const entriesOf = ({ ids, modes }: Page) => ids.map((id, at) => `${id} ${modes[at] ?? ''}`).sort();
    expect(entriesOf(await search(edge, `?code=39156-5&status=entered-in-error&${include}`))).toEqual(['b2 match', 'h1 include']);
    expect(entriesOf(await search(edge, `?status=preliminary&code=39156-5&${include}`))).toEqual(['b3 match', 'h1 include', 'w2 include']);
    expect(entriesOf(await search(edge, `?_tag=held&code=39156-5&${include}`))).toEqual(['b3 match', 'h1 include', 'w2 include']);
  });

  test('a Patient that carries the identifier is searched as well', async () => {
    const edge = await ward();
    const patient: JsonObject = { resourceType: 'Patient', id: 'ada', identifier: [{ system: 'urn:example:mrn', value: '42' }] };
    await edge.store.write((tx) =>
      tx.putRegistry('Patient', 'ada', patient, { identifiers: [{ system: 'urn:example:mrn', value: '42' }], references: [] }),
    );
    expect((await search(edge, '?subject:identifier=urn:example:mrn%7C42')).ids.sort()).toEqual(['b1', 'h1', 'w1', 'w3']);
  });

  test.each([
    ['?_summary=count', 5],
    ['?_count=0', 5],
    ['?_summary=count&patient=ada', 3],
  ])('%s counts without showing', async (query, total) => {
    const found = await search(await ward(), query);
    expect([found.ids, found.total]).toEqual([[], total]);
  });

  test.each([
    ['', 5],
    ['?_count=2', undefined],
    ['?_count=2&_total=none', undefined],
    ['?_count=2&_total=accurate', 5],
    ['?_count=2&_total=estimate', 5],
  ])('%s gives the total %s', async (query, total) => {
    expect((await search(await ward(), query)).total).toBe(total);
  });

  test('pages by opaque links that keep the parameters and neither skip nor repeat', async () => {
    const edge = await ward();
    const ids: string[] = [];
    let url: string | undefined = `${edge.url}/fhir/Observation?code=29463-7,8302-2,39156-5&_count=2`;
    for (let turn = 0; url !== undefined && turn < 10; turn += 1) {
      const at: URL = new URL(url);
      const found = pageOf(await edge.call('GET', at.pathname + at.search));
      expect(found.links['self']).toContain('_count=2');
      ids.push(...found.ids);
      // a reading that is stored meanwhile belongs to the next search, not to this one
      await keep(edge.store, { id: `late${turn}`, time: '2026-11-23T08:00:00Z' });
      url = found.links['next'];
      if (url !== undefined)
        expect(url.startsWith(`${edge.url}/fhir/Observation?code=29463-7,8302-2,39156-5&_count=2&_cursor=`)).toBe(true);
    }
    expect(ids).toEqual(['w1', 'h1', 'b1', 'w3', 'w4']);
  });

  test('a page is never larger than 1000, and the self link says so', async () => {
    const found = await search(await ward(), '?_count=999999999');
    expect(found.links['self']).toContain('_count=1000');
  });

  test('by POST, parameters of URL and form hold together', async () => {
    const edge = await ward();
    const answer = await edge.call('POST', '/fhir/Observation/_search?patient=ada', {
      headers: { 'Content-Type': 'application/x-www-form-urlencoded' },
      body: 'code=http%3A%2F%2Floinc.org%7C39156-5',
    });
    expect(pageOf(answer).ids).toEqual(['b1']);
  });

  test('leaves out what it does not know when asked to be lenient, and shows that in the self link', async () => {
    const edge = await ward();
    const found = await search(edge, '?patient=cara&MARKEDNAME=1&nonsense=2', { Prefer: 'handling=lenient' });
    expect(found.ids).toEqual(['w4']);
    expect(found.links['self']).toBe(`${edge.url}/fhir/Observation?patient=cara`);
  });
});

describe('a search that is refused', () => {
  test.each([
    ['?patient.name=MARKEDNAME', 'not-supported', 'patient.name'],
    ['?nonsense=MARKEDNAME', 'not-supported', 'nonsense'],
    ['?code:text=MARKEDNAME', 'not-supported', 'code:text'],
    ['?_include=Observation:subject', 'not-supported', '_include'],
    ['?_include=*', 'not-supported', '_include'],
    ['?_sort=status', 'not-supported', '_sort'],
    ['?_summary=text', 'not-supported', '_summary'],
    ['?code=1&code=2', 'not-supported', 'code'],
    ['?patient=ada&subject=ada', 'not-supported', 'subject'],
    ['?date=ap2026', 'not-supported', 'date'],
    ['?date=yesterday', 'value', 'date'],
    ['?date=2026-02-30', 'value', 'date'],
    ['?_lastUpdated=MARKEDNAME', 'value', '_lastUpdated'],
    ['?patient=', 'value', 'patient'],
    ['?patient=http://elsewhere.example/Patient/ada', 'value', 'patient'],
    ['?subject:identifier=MARKEDNAME', 'value', 'subject:identifier'],
    ['?_count=-1', 'value', '_count'],
    ['?_count=many', 'value', '_count'],
    ['?_total=all', 'value', '_total'],
    ['?_cursor=MARKEDNAME', 'value', ''],
    ['?_cursor=%00', 'value', '_cursor'],
    ['?patient=%ZZ', 'value', ''],
  ])('%s is answered 400 %s', async (query, code, named) => {
    const edge = await ward();
    const answer = await edge.call('GET', `/fhir/Observation${query}`);
    expect([answer.status, issueCodes(answer)]).toEqual([400, [code]]);
    expect(answer.text).toContain(named);
    expect(answer.text + edge.logLines.join('')).not.toContain('MARKEDNAME');
  });

  test('an unknown modifier is refused to the lenient as well', async () => {
    const edge = await ward();
    const answer = await edge.call('GET', '/fhir/Observation?code:text=weight', { headers: { Prefer: 'handling=lenient' } });
    expect(answer.status).toBe(400);
  });

  test('a page link is of no use to a search with another order', async () => {
    const edge = await ward();
    const next = new URL((await search(edge, '?_count=1')).links['next'] ?? '');
    const answer = await edge.call('GET', `${next.pathname}${next.search}&_sort=date`);
    expect([answer.status, issueCodes(answer)]).toEqual([400, ['value']]);
  });
});

describe('a search of the registries', () => {
  async function registered(): Promise<Edge> {
    const edge = await startEdge();
    await edge.store.write(async (tx) => {
      for (const id of ['s1', 's2', 's3']) {
        await tx.putRegistry(
          'Device',
          id,
          { resourceType: 'Device', id },
          { identifiers: [{ system: 'urn:example:serial', value: id }], references: [] },
        );
      }
      await tx.putRegistry(
        'DeviceMetric',
        'm1',
        { resourceType: 'DeviceMetric', id: 'm1' },
        { identifiers: [], references: ['Device/s1'] },
      );
      await tx.putRegistry(
        'Provenance',
        'p1',
        { resourceType: 'Provenance', id: 'p1' },
        { identifiers: [], references: ['Observation/w1'] },
      );
    });
    return edge;
  }

  test.each([
    ['Device', ['s1', 's2', 's3']],
    ['Device?_id=s2', ['s2']],
    ['Device?identifier=urn:example:serial%7Cs3', ['s3']],
    ['DeviceMetric?source=Device/s1', ['m1']],
    ['DeviceMetric?source=s2', []],
    ['Provenance?target=Observation/w1', ['p1']],
    ['Provenance?target=w2', []],
  ])('%s finds %j', async (query, ids) => {
    const edge = await registered();
    expect(pageOf(await edge.call('GET', `/fhir/${query}`)).ids).toEqual(ids);
  });

  test('pages', async () => {
    const edge = await registered();
    const first = pageOf(await edge.call('GET', '/fhir/Device?_count=2'));
    const next = new URL(first.links['next'] ?? '');
    expect([first.ids, pageOf(await edge.call('GET', next.pathname + next.search)).ids]).toEqual([['s1', 's2'], ['s3']]);
  });

  test.each(['Patient?name=MARKEDNAME', 'Provenance?identifier=a%7Cb', 'Device?_id=s1&_id=s2', 'Patient?identifier='])(
    '%s is refused',
    async (query) => {
      const edge = await registered();
      const answer = await edge.call('GET', `/fhir/${query}`);
      expect(answer.status).toBe(400);
      expect(issueCodes(answer)).toHaveLength(1);
      expect(answer.text).not.toContain('MARKEDNAME');
    },
  );
});
