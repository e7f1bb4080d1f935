import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { factsOf, instantReading, NOON, observationContent, outboxItem } from '../store-samples.ts';
import type { KeptStore } from '../../../src/ports.ts';

const NOW = Date.parse('2026-03-14T08:00:00.000Z');
const LEASE_MS = 30_000;
const ADA = 'Patient/ada';

export function outboxWithdrawalSuite(factory: StoreFactory): void {
  describe('items that are taken back', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const enqueue = (person: string, concerns: string[], notBeforeMs?: number) =>
      given.store.write((tx) => tx.enqueue({ ...outboxItem(person, concerns), ...(notBeforeMs !== undefined && { notBeforeMs }) }));
    const claim = (nowMs = NOW) => given.store.outbox.claim(nowMs, LEASE_MS, 10);
    const claimed = async (nowMs = NOW) => (await claim(nowMs)).map(({ number }) => number);
    const behind = (number: number, persons = [ADA], observations: string[] = []) => ({ number, persons, observations });
    const withdraw = async (...asked: Parameters<typeof behind>) =>
      (await given.store.write((tx) => tx.withdraw(behind(...asked))))?.map(({ number }) => number);
    const states = async () => (await given.store.outbox.list({ limit: 99 })).map(({ state }) => state);
    const withdrawnVersions = async (id: string) => [...(await given.store.write((tx) => tx.withdrawnVersions(id)))];

    test('are those behind a number, of the persons or concerning the Observations', async () => {
      expect(await given.store.write((tx) => tx.lastItem())).toBe(0);
      const before = await enqueue(ADA, ['o1']);
      expect(await given.store.write((tx) => tx.lastItem())).toBe(before);
      const [own, others, shared] = [
        await enqueue(ADA, ['o2']),
        await enqueue('Patient/bo', ['o3']),
        await enqueue('Patient/cy', ['o4', 'o2']),
      ];
      expect(await withdraw(before, [ADA], ['o2'])).toEqual([own, shared]);
      expect(await states()).toEqual(['waiting', 'discarded', 'waiting', 'discarded']);
      expect(await claimed()).toEqual([before, others]);
      // once more there is nothing left of them
      expect(await withdraw(before, [ADA], ['o2'])).toEqual([]);
      expect(await withdraw(before, [], [])).toEqual([]);
    });

    test('are none when one was claimed, whatever came of it', async () => {
      const first = await enqueue(ADA, ['o1']);
      await enqueue(ADA, ['o2']);
      expect(await given.store.outbox.dueOf(behind(0))).toBe(NOW);
      await claim();
      expect(await withdraw(0)).toBeUndefined();
      await given.store.outbox.postpone(first, NOW, 'no answer');
      expect(await withdraw(0)).toBeUndefined();
      expect(await given.store.outbox.dueOf(behind(0))).toBe('gone');
      await given.store.outbox.markSent(first, []);
      expect(await withdraw(0)).toBeUndefined();
      expect(await states()).toEqual(['sent', 'waiting']);
      expect(await withdraw(first)).toHaveLength(1);
      expect(await given.store.outbox.dueOf(behind(first))).toBeUndefined();
    });

    test('are none when an operator gave one up', async () => {
      await given.store.outbox.discard(await enqueue(ADA, ['o1']), 'given up', NOW);
      expect(await withdraw(0)).toBeUndefined();
      expect(await given.store.outbox.dueOf(behind(0))).toBe('gone');
    });

    test('were parked behind another one, perhaps', async () => {
      const first = await enqueue('Patient/bo', ['o1']);
      await claim();
      await given.store.outbox.park(first, 'refused');
      const blocked = await enqueue(ADA, ['o1', 'o2']);
      expect(await states()).toEqual(['parked', 'parked']);
      expect(await withdraw(first)).toEqual([blocked]);
      await given.store.outbox.retry(first, NOW);
      expect(await states()).toEqual(['waiting', 'discarded']);
    });

    test('stay where they are when the unit of work that took them back fails', async () => {
      const number = await enqueue(ADA, ['o1']);
      const failing = given.store.write(async (tx) => {
        expect(await tx.withdraw(behind(0))).toHaveLength(1);
        throw new Error('invented');
      });
      await expect(failing).rejects.toThrow('invented');
      expect(await claimed()).toEqual([number]);
    });

    test('go to no worker that claims at the same moment: one of the two has each', async () => {
      for (let round = 0; round < 20; round += 1) {
        const number = await enqueue(ADA, [`o${round}`]);
        const both = [withdraw(number - 1), claimed()] as const;
        const [taken, got] = await Promise.all(round % 2 === 0 ? both : ([...both].reverse() as unknown as typeof both)).then((ends) =>
          round % 2 === 0 ? ends : ([ends[1], ends[0]] as unknown as typeof ends),
        );
        expect([taken, got]).toEqual(taken === undefined ? [undefined, [number]] : [[number], []]);
        if (taken === undefined) await given.store.outbox.markSent(number, []);
      }
    });

    // on SQLite a claim has its turn after the unit of work
    test.runIf(factory.name === 'PostgreSQL')('are passed over by a claim while their unit of work is open', async () => {
      await enqueue(ADA, ['o1']);
      const taken = await given.store.write(async (tx) => {
        const items = await tx.withdraw(behind(0));
        expect(await claimed()).toEqual([]);
        return items;
      });
      expect(taken).toHaveLength(1);
      expect(await claimed()).toEqual([]);
    });

    test('leave versions that never went to the EHR, unless another item had them or the EHR has a copy', async () => {
      const versions = (...numbers: number[]) => numbers.map((version) => ({ type: 'Observation' as const, id: 'o1', version }));
      const item = { ...outboxItem(ADA, ['o1']), resources: versions(2, 3) };
      expect(await withdrawnVersions('o1')).toEqual([]);
      await given.store.write((tx) => tx.enqueue(item));
      expect(await withdrawnVersions('o1')).toEqual([]);
      await withdraw(0);
      expect(await withdrawnVersions('o1')).toEqual([2, 3]);
      const again = await given.store.write((tx) => tx.enqueue({ ...item, resources: versions(3) }));
      expect(await withdrawnVersions('o1')).toEqual([2]);
      await given.store.outbox.markSent(again, [{ type: 'Observation', id: 'o1', reference: 'Observation/7', version: 3 }]);
      expect(await withdrawnVersions('o1')).toEqual([]);
    });

    test('are kept when settled items are cleared away', async () => {
      const [sent] = [await enqueue(ADA, ['o1']), await enqueue(ADA, ['o2'])];
      await withdraw(sent);
      await given.store.outbox.markSent(sent, []);
      await (given.store as KeptStore).retention.removeSettledItems('2030-01-01T00:00:00.000Z', { limit: 9, dryRun: false });
      expect(await states()).toEqual(['discarded']);
      expect(await withdrawnVersions('o2')).toEqual([1]);
    });

    test('can be, for as long as they are not due, and five minutes at most on a clock that was set back', async () => {
      const number = await enqueue(ADA, ['o1'], NOW + 10_000);
      const later = await enqueue(ADA, ['o2']);
      expect(await given.store.outbox.list({ limit: 9 })).toMatchObject([
        { dueMs: NOW + 10_000, reason: expect.stringContaining('taken back') as string },
        {},
      ]);
      expect(await given.store.outbox.isAwaited('o2', number)).toBe(true);
      expect(await given.store.outbox.isAwaited('o2', later)).toBe(false);
      expect(await claimed(NOW + 9_999)).toEqual([]);
      expect(await claimed(NOW + 10_000 - 300_000)).toEqual([]);
      const [item] = await claim(NOW + 10_000 - 300_001);
      expect(item).toMatchObject({ number, tries: 1 });
      expect(item).not.toHaveProperty('reason');
      await given.store.outbox.markSent(number, []);
      expect(await claimed(NOW)).toEqual([later]);
      expect(await given.store.outbox.isAwaited('o2', number)).toBe(false);
    });
  });

  describe('an earlier version of a reading', () => {
    test('is decoded as it was, for whoever it is filed for now', async () => {
      const given = await openForTest(factory);
      const held = { ...instantReading('o1', NOON), held: true, doubts: ['scale-coarse'] };
      await given.store.write((tx) => tx.putObservation('o1', observationContent('70.0'), factsOf(held)));
      await given.store.write((tx) => tx.putObservation('o1', observationContent('70.0'), factsOf({ ...held, held: false, version: 2 })));
      expect(await given.store.read.readingAt('o1', 1)).toStrictEqual(held);
      expect(await given.store.read.readingAt('o1', 2)).toMatchObject({ held: false, version: 2 });
      expect(await given.store.read.readingAt('o1', 3)).toBeUndefined();
      await given.end();
    });
  });
}
