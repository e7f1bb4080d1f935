import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { RegistryFacts } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { putWeight } from '../store-samples.ts';

type RegistryType = 'Patient' | 'Device' | 'DeviceMetric' | 'Provenance';

export function registrySuite(factory: StoreFactory): void {
  describe('registries', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const put = (type: RegistryType, id: string, facts: Partial<RegistryFacts> = {}) =>
      given.store.write((tx) => tx.putRegistry(type, id, { resourceType: type }, { identifiers: [], references: [], ...facts }));
    const find = async (
      type: RegistryType,
      criteria: { ids?: string[]; identifiers?: RegistryFacts['identifiers']; references?: string[] },
    ) => {
      const page = await given.store.read.searchRegistry(type, { count: 50, ...criteria });
      return page.resources.map(({ id }) => id);
    };

    test('found by id, identifier and reference, current versions only', async () => {
      await put('Device', 'd1', { identifiers: [{ system: 'urn:asset', value: '17' }] });
      await put('Device', 'd2', { identifiers: [{ value: '17' }] });
      await put('Patient', 'd1', { identifiers: [{ system: 'urn:asset', value: '17' }] });
      await put('DeviceMetric', 'm1', { references: ['Device/d1'] });
      await put('DeviceMetric', 'm1', { references: ['Device/d2'] });
      expect(await find('Device', {})).toEqual(['d1', 'd2']);
      expect(await find('Device', { ids: ['d2', 'none'] })).toEqual(['d2']);
      expect(await find('Device', { identifiers: [{ value: '17' }] })).toEqual(['d1', 'd2']);
      expect(await find('Device', { identifiers: [{ system: 'urn:asset', value: '17' }] })).toEqual(['d1']);
      expect(await find('DeviceMetric', { references: ['Device/d1'] })).toEqual([]);
      expect(await find('DeviceMetric', { references: ['Device/d1', 'Device/d2'] })).toEqual(['m1']);
      expect(await find('DeviceMetric', { references: [] })).toEqual([]);
    });

    test('what a resource refers to is what its current version does', async () => {
      await put('Patient', 'p1', { references: ['Patient/p2'] });
      await put('Device', 'p1', { references: ['Device/d9'] });
      expect(await given.store.read.referencesOf('Patient', 'p1')).toEqual(['Patient/p2']);
      await put('Patient', 'p1', { identifiers: [{ system: 'urn:mrn', value: '8' }] });
      expect(await given.store.read.referencesOf('Patient', 'p1')).toEqual([]);
      expect(await given.store.read.referencesOf('Patient', 'nobody')).toEqual([]);
    });

    test('ids by identifier are those of one type, current, and no more than asked for', async () => {
      for (const id of ['p1', 'p2', 'p3']) await put('Patient', id, { identifiers: [{ system: 'urn:mrn', value: '8' }] });
      await put('Patient', 'p1', { identifiers: [{ system: 'urn:mrn', value: '9' }] });
      await putWeight(given.store, 'o1', { identifiers: [{ system: 'urn:mrn', value: '8' }] });
      const ids = (type: 'Patient' | 'Observation', value: string, limit: number) =>
        given.store.read.idsByIdentifier(type, { system: 'urn:mrn', value }, limit);
      expect(await ids('Patient', '8', 5)).toEqual(['p2', 'p3']);
      expect(await ids('Patient', '8', 1)).toEqual(['p2']);
      expect(await ids('Patient', '9', 5)).toEqual(['p1']);
      expect(await ids('Observation', '8', 5)).toEqual(['o1']);
      expect(await given.store.read.idsByIdentifier('Patient', { value: '8' }, 5)).toEqual(['p2', 'p3']);
    });

    test('pages show the registry as it was at the first', async () => {
      for (const id of ['d1', 'd2', 'd3', 'd4']) await put('Device', id);
      const first = await given.store.read.searchRegistry('Device', { count: 2 });
      await put('Device', 'd3');
      await put('Device', 'd5');
      const second = await given.store.read.searchRegistry('Device', { count: 2, cursor: first.next as string });
      expect([...first.resources, ...second.resources].map(({ id, version }) => `${id}/${version}`)).toEqual([
        'd1/1',
        'd2/1',
        'd3/1',
        'd4/1',
      ]);
      expect(second.next).toBeUndefined();
    });
  });
}
