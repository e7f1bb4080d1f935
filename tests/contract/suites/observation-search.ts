import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { Comparator } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { foundIds, NOON, putWeight, search } from '../store-samples.ts';

const HOUR = 3_600_000;

export function observationSearchSuite(factory: StoreFactory): void {
  describe('searching Observations', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    test('each criterion narrows, a list means any of its entries, an empty list none', async () => {
      const { store } = given;
      await putWeight(store, 'a', {
        person: 'Patient/p1',
        device: 'Device/d1',
        identifiers: [{ system: 'urn:s', value: '1' }],
        tags: [{ system: 'urn:t', value: 'round' }],
        codes: [
          { system: 'urn:c', value: 'w' },
          { system: 'urn:c', value: 'w2' },
          { system: 'urn:c', value: 'w' },
        ],
      });
      await putWeight(store, 'b', {
        person: 'Patient/p2',
        status: 'amended',
        identifiers: [{ value: '1' }],
        codes: [{ system: 'urn:d', value: 'w' }],
      });
      await putWeight(store, 'c', {
        person: 'Patient/p3',
        identifiers: [{ system: 'urn:s', value: '2' }],
        derivedFrom: ['a', 'b'],
        codes: [{ system: 'urn:c', value: 'h' }],
      });
      const cases: [Parameters<typeof foundIds>[1], string[]][] = [
        [{}, ['a', 'b', 'c']],
        [{ ids: ['c', 'a', 'nobody'] }, ['a', 'c']],
        [{ persons: ['Patient/p1', 'Patient/p2'] }, ['a', 'b']],
        [{ persons: [] }, []],
        [{ ids: [] }, []],
        [{ codes: [] }, []],
        [{ codes: [{ value: 'w' }] }, ['a', 'b']],
        [{ codes: [{ system: 'urn:c', value: 'w' }] }, ['a']],
        [
          {
            codes: [
              { system: 'urn:c', value: 'h' },
              { system: 'urn:d', value: 'w' },
            ],
          },
          ['b', 'c'],
        ],
        [
          {
            codes: [
              { system: 'urn:d', value: 'h' },
              { system: 'urn:c', value: 'w2' },
            ],
          },
          ['a'],
        ],
        [{ identifiers: [{ value: '1' }] }, ['a', 'b']],
        [{ identifiers: [{ system: 'urn:s', value: '1' }] }, ['a']],
        [{ identifiers: [{ system: '', value: '1' }] }, ['b']],
        [{ identifiers: [{ system: 'urn:s', value: '2' }, { value: '1' }] }, ['a', 'b', 'c']],
        [{ statuses: ['final'] }, ['a', 'c']],
        [{ statuses: ['amended', 'corrected'] }, ['b']],
        [{ statuses: [] }, []],
        [{ devices: ['Device/d1'] }, ['a']],
        [{ derivedFrom: ['b'] }, ['c']],
        [{ tags: [{ value: 'round' }] }, ['a']],
        [{ tags: [{ system: 'urn:other', value: 'round' }] }, []],
        [{ categories: [{ value: 'vital-signs' }], persons: ['Patient/p2'] }, ['b']],
        [{ categories: [{ value: 'laboratory' }] }, []],
      ];
      for (const [criteria, ids] of cases) {
        expect(await foundIds(store, criteria), JSON.stringify(criteria)).toEqual(ids);
        expect(await store.read.countObservations(search(criteria)), JSON.stringify(criteria)).toBe(ids.length);
      }
    });

    test('held readings are found only when asked for', async () => {
      await putWeight(given.store, 'plain');
      await putWeight(given.store, 'doubtful', { held: true, status: 'preliminary' });
      expect(await foundIds(given.store, {})).toEqual(['plain']);
      expect(await foundIds(given.store, { includeHeld: true })).toEqual(['plain', 'doubtful']);
      expect(await foundIds(given.store, { includeHeld: true, statuses: ['preliminary'] })).toEqual(['doubtful']);
    });

    test('only the current version is found, by what it says now', async () => {
      await putWeight(given.store, 'a', { identifiers: [{ value: 'old' }] });
      await putWeight(given.store, 'a', { identifiers: [{ value: 'new' }], held: true });
      expect(await foundIds(given.store, { identifiers: [{ value: 'old' }], includeHeld: true })).toEqual([]);
      expect(await foundIds(given.store, { identifiers: [{ value: 'new' }], includeHeld: true })).toEqual(['a']);
      expect(await foundIds(given.store, {})).toEqual([]);
    });

    test.each<[Comparator, string[]]>([
      ['eq', ['within']],
      ['ne', ['before', 'over-start', 'over-end', 'around', 'after']],
      ['gt', ['over-end', 'around', 'after']],
      ['lt', ['before', 'over-start', 'around']],
      ['ge', ['within', 'over-end', 'around', 'after']],
      ['le', ['before', 'over-start', 'within', 'around']],
      ['sa', ['after']],
      ['eb', ['before']],
    ])('a date with prefix %s compares intervals as R4 says', async (comparator, ids) => {
      const spans: [string, number, number][] = [
        ['before', -9, -8],
        ['over-start', -1, 1],
        ['within', 1, 2],
        ['over-end', 3, 6],
        ['around', -1, 6],
        ['after', 8, 9],
      ];
      await Promise.all(
        spans.map(([id, from, to]) => putWeight(given.store, id, { startMs: NOON + from * HOUR, endMs: NOON + to * HOUR })),
      );
      expect(await foundIds(given.store, { dates: [{ comparator, startMs: NOON, endMs: NOON + 4 * HOUR }] })).toEqual(ids);
    });

    test('several dates must all hold', async () => {
      for (const hour of [0, 1, 2, 3]) await putWeight(given.store, `h${hour}`, { startMs: NOON + hour * HOUR, endMs: NOON + hour * HOUR });
      const at = (hour: number) => ({ startMs: NOON + hour * HOUR, endMs: NOON + hour * HOUR });
      const dates = [
        { comparator: 'ge' as const, ...at(1) },
        { comparator: 'lt' as const, ...at(3) },
      ];
      expect(await foundIds(given.store, { dates })).toEqual(['h1', 'h2']);
    });

    test.each<[Comparator, string[]]>([
      ['eq', ['b', 'c']],
      ['ne', ['a', 'd']],
      ['gt', ['d']],
      ['sa', ['d']],
      ['lt', ['a']],
      ['eb', ['a']],
      ['ge', ['b', 'c', 'd']],
      ['le', ['a', 'b', 'c']],
    ])('_lastUpdated with prefix %s compares instants to the microsecond', async (comparator, ids) => {
      const stored = [];
      for (const id of ['a', 'b', 'c', 'd']) stored.push(await putWeight(given.store, id));
      const [start, end] = [stored[1]?.lastUpdated as string, stored[2]?.lastUpdated as string];
      expect(await foundIds(given.store, { lastUpdated: [{ comparator, start, end }] })).toEqual(ids);
    });

    test('sorted by date, last update or id, in both directions, ties in the order of writing', async () => {
      const days: [string, number][] = [
        ['n', 2],
        ['m', 1],
        ['k', 2],
        ['l', 3],
      ];
      for (const [id, hour] of days) await putWeight(given.store, id, { startMs: NOON + hour * HOUR, endMs: NOON + hour * HOUR });
      const sorted = (by: 'date' | '_lastUpdated' | '_id', descending: boolean) => foundIds(given.store, { sort: [{ by, descending }] });
      expect(await sorted('date', false)).toEqual(['m', 'n', 'k', 'l']);
      expect(await sorted('date', true)).toEqual(['l', 'n', 'k', 'm']);
      expect(await sorted('_lastUpdated', true)).toEqual(['l', 'k', 'm', 'n']);
      expect(await sorted('_id', false)).toEqual(['k', 'l', 'm', 'n']);
      const byDateThenId = [
        { by: 'date' as const, descending: true },
        { by: '_id' as const, descending: false },
      ];
      expect(await foundIds(given.store, { sort: byDateThenId })).toEqual(['l', 'k', 'n', 'm']);
    });
  });
}
