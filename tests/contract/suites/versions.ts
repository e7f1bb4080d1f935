import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { exactNumber, parseExactJson, stringifyExact, type JsonObject } from '../../../src/core/json.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { factsOf, observationContent, putWeight, reading } from '../store-samples.ts';

export function versionsSuite(factory: StoreFactory): void {
  describe('versions', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    test('a resource is served with id, version and instant, and all else in the order it came', async () => {
      const content: JsonObject = {
        resourceType: 'Observation',
        meta: { versionId: '99', profile: ['https://harbourlight.example/p'], lastUpdated: '1999-01-01T00:00:00Z', tag: [{ code: 'x' }] },
        valueQuantity: { value: exactNumber('70.0') },
        status: 'final',
        component: [{ valueQuantity: { value: exactNumber('0.10') } }],
        code: { text: 'weight' },
      };
      const stored = await given.store.write((tx) => tx.putObservation('a1', content, factsOf(reading('a1', 1))));
      expect(stored).toEqual({
        type: 'Observation',
        id: 'a1',
        version: 1,
        lastUpdated: '2026-03-14T08:00:00.000000Z',
        text: expect.any(String),
      });
      expect(stored.text).toBe(
        '{"resourceType":"Observation","id":"a1","meta":{"versionId":"1","lastUpdated":"2026-03-14T08:00:00.000000Z",' +
          '"profile":["https://harbourlight.example/p"],"tag":[{"code":"x"}]},"valueQuantity":{"value":70.0},"status":"final",' +
          '"component":[{"valueQuantity":{"value":0.10}}],"code":{"text":"weight"}}',
      );
      expect(await given.store.read.current('Observation', 'a1')).toEqual(stored);
    });

    test.each(['70.0', '0.10', '70.50', '0', '154.25', '70.09999999999999999', '-0.0'])('the digits of %s are kept', async (digits) => {
      const stored = await putWeight(given.store, 'a1', {}, digits);
      const read = await given.store.read.current('Observation', 'a1');
      expect(read).toEqual(stored);
      expect(read?.text).toContain(`"value":${digits},`);
    });

    test('the content that was given is not changed', async () => {
      const content = observationContent('70.0');
      const before = stringifyExact(content);
      await given.store.write((tx) => tx.putObservation('a1', content, factsOf(reading('a1', 1))));
      expect(stringifyExact(content)).toBe(before);
    });

    test('every version stays readable and the history begins with the newest', async () => {
      const first = await putWeight(given.store, 'a1', {}, '70.0');
      const second = await putWeight(given.store, 'a1', {}, '71.0');
      const third = await putWeight(given.store, 'a1', {}, '72.0');
      expect([first, second, third].map(({ version }) => version)).toEqual([1, 2, 3]);
      expect(await given.store.read.current('Observation', 'a1')).toEqual(third);
      expect(await given.store.read.version('Observation', 'a1', 2)).toEqual(second);
      expect(await given.store.read.version('Observation', 'a1', 4)).toBeUndefined();
      expect(await given.store.read.history('Observation', 'a1')).toEqual([third, second, first]);
    });

    test('the same id of another type is another resource', async () => {
      await putWeight(given.store, 'x');
      const device = await given.store.write((tx) =>
        tx.putRegistry('Device', 'x', { resourceType: 'Device' }, { identifiers: [], references: [] }),
      );
      expect(device.version).toBe(1);
      expect(await given.store.read.current('Device', 'x')).toEqual(device);
      expect(await given.store.read.current('Patient', 'x')).toBeUndefined();
      expect(await given.store.read.history('Patient', 'x')).toEqual([]);
    });

    test('what a unit of work wrote is there for the unit itself, and for others only after it', async () => {
      await given.store.write(async (tx) => {
        const stored = await tx.putObservation('a1', observationContent('70.0'), factsOf(reading('a1', 1)));
        expect(await tx.current('Observation', 'a1')).toEqual(stored);
        expect(await given.store.read.current('Observation', 'a1')).toBeUndefined();
        expect(await given.store.read.countObservations({ includeHeld: true })).toBe(0);
      });
      expect(await given.store.read.current('Observation', 'a1')).toBeDefined();
    });

    test('lastUpdated grows with every version though the clock stands still, goes back, and the store restarts', async () => {
      const instants: string[] = [];
      for (const ms of [0, 0, 1, -3_600_000, -3_600_000, 2]) {
        given.clock.ms = Date.UTC(2026, 2, 14, 8) + ms;
        instants.push((await putWeight(given.store, `a${instants.length}`)).lastUpdated);
        await given.reopen();
      }
      expect(instants).toEqual([
        '2026-03-14T08:00:00.000000Z',
        '2026-03-14T08:00:00.000001Z',
        '2026-03-14T08:00:00.001000Z',
        '2026-03-14T08:00:00.001001Z',
        '2026-03-14T08:00:00.001002Z',
        '2026-03-14T08:00:00.002000Z',
      ]);
    });

    test('the instant in the text is the instant of the version', async () => {
      const stored = await putWeight(given.store, 'a1');
      const parsed = parseExactJson(stored.text);
      expect(parsed).toMatchObject({ ok: true, value: { id: 'a1', meta: { versionId: '1', lastUpdated: stored.lastUpdated } } });
    });
  });
}
