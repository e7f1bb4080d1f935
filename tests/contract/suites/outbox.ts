import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { outboxItem } from '../store-samples.ts';

const NOW = Date.parse('2026-03-14T08:00:00.000Z');
const LEASE_MS = 30_000;

export function outboxSuite(factory: StoreFactory): void {
  describe('the outbox', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const enqueue = (person: string, concerns: string[], queuedAt?: string) =>
      given.store.write((tx) => tx.enqueue(outboxItem(person, concerns, queuedAt)));
    const claim = async (nowMs = NOW, limit = 10) => (await given.store.outbox.claim(nowMs, LEASE_MS, limit)).map(({ number }) => number);

    test('an item is handed out as it was filed, and the claim counts as a try', async () => {
      const item = {
        person: 'Patient/p1',
        concerns: ['w1', 'h1', 'b1'],
        queuedAt: '2026-03-14T08:00:00.000Z',
        requestId: 'gateway-3.0001',
        traceParent: '00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01',
        resources: [
          { type: 'Observation' as const, id: 'w1', version: 3 },
          { type: 'Provenance' as const, id: 'v1', version: 1 },
        ],
      };
      const number = await given.store.write((tx) => tx.enqueue(item));
      expect(await given.store.outbox.list({ limit: 10 })).toStrictEqual([{ ...item, number, state: 'waiting', tries: 0, dueMs: NOW }]);
      expect(await given.store.outbox.claim(NOW, LEASE_MS, 10)).toStrictEqual([
        { ...item, number, state: 'waiting', tries: 1, dueMs: NOW },
      ]);
    });

    test('an item is there with the reading or not at all', async () => {
      const failing = given.store.write(async (tx) => {
        await tx.enqueue(outboxItem('Patient/p1', ['o1']));
        throw new Error('refused');
      });
      await expect(failing).rejects.toThrow('refused');
      expect(await claim()).toEqual([]);
    });

    test('each person gets their items in order, one at a time; persons do not wait for each other', async () => {
      const [a1, a2] = [await enqueue('Patient/a', ['o1']), await enqueue('Patient/a', ['o2'])];
      const [b1, a3] = [await enqueue('Patient/b', ['o3']), await enqueue('Patient/a', ['o4'])];
      expect(await claim()).toEqual([a1, b1]);
      expect(await claim()).toEqual([]);
      await given.store.outbox.markSent(a1, []);
      expect(await claim()).toEqual([a2]);
      await given.store.outbox.postpone(a2, NOW + 60_000, 'the EHR did not answer');
      await given.store.outbox.markSent(b1, []);
      expect(await claim(NOW + 59_999)).toEqual([]);
      expect(await claim(NOW + 60_000)).toEqual([a2]);
      await given.store.outbox.markSent(a2, []);
      expect(await claim(NOW + 60_000)).toEqual([a3]);
    });

    test('an item overtakes none that concerns the same Observation, whoever that one is filed for', async () => {
      const [a1, b1] = [await enqueue('Patient/a', ['o1', 'o2']), await enqueue('Patient/b', ['o2', 'o3'])];
      const [c1, d1] = [await enqueue('Patient/c', ['o3']), await enqueue('Patient/d', ['o4'])];
      expect(await claim()).toEqual([a1, d1]);
      expect(await claim()).toEqual([]);
      await given.store.outbox.markSent(a1, []);
      expect(await claim()).toEqual([b1]);
      await given.store.outbox.markSent(b1, []);
      expect(await claim()).toEqual([c1]);
    });

    test('what waits or is parked goes to another person at its old place; what was sent stays', async () => {
      const [a1, b1, a2, a3] = [
        await enqueue('Patient/a', ['o1']),
        await enqueue('Patient/b', ['o2']),
        await enqueue('Patient/a', ['o3']),
        await enqueue('Patient/a', ['o4']),
      ];
      await given.store.outbox.markSent(a1, []);
      await given.store.outbox.park(a3, 'HTTP 422');
      await given.store.write((tx) => tx.requeue('Patient/a', 'Patient/b'));
      const persons = (await given.store.outbox.list({ limit: 9 })).map(({ number, person, state }) => [number, person, state]);
      expect(persons).toEqual([
        [a1, 'Patient/a', 'sent'],
        [b1, 'Patient/b', 'waiting'],
        [a2, 'Patient/b', 'waiting'],
        [a3, 'Patient/b', 'parked'],
      ]);
      expect(await claim()).toEqual([b1]);
    });

    test('no more than the limit is claimed, oldest first', async () => {
      const numbers = [];
      for (const person of ['c', 'a', 'd', 'b']) numbers.push(await enqueue(`Patient/${person}`, [person]));
      expect(await claim(NOW, 3)).toEqual(numbers.slice(0, 3));
      expect(await claim(NOW, 3)).toEqual(numbers.slice(3));
    });

    test('a lease that ran out is handed out again, also after a restart', async () => {
      const number = await enqueue('Patient/a', ['o1']);
      expect(await claim()).toEqual([number]);
      await given.reopen();
      expect(await claim(NOW + LEASE_MS - 1)).toEqual([]);
      const [again] = await given.store.outbox.claim(NOW + LEASE_MS, LEASE_MS, 10);
      expect(again).toMatchObject({ number, tries: 2 });
    });

    test('workers that claim at the same time never get the same item', async () => {
      for (let at = 0; at < 20; at += 1) await enqueue(`Patient/${at}`, [`o${at}`]);
      const claims = (await Promise.all(Array.from({ length: 8 }, () => claim(NOW, 4)))).flat();
      expect(claims).toHaveLength(20);
      expect(new Set(claims).size).toBe(20);
    });

    test('numbers are not used again though the outbox is emptied and the store restarts', async () => {
      const seen: number[] = [];
      for (let round = 0; round < 3; round += 1) {
        const number = await enqueue('Patient/a', ['o1']);
        expect(number).toBeGreaterThan(seen.at(-1) ?? 0);
        seen.push(number);
        await given.store.outbox.markSent(number, []);
        await given.reopen();
      }
    });

    test('what was sent is remembered, and a late answer does not set the copy back', async () => {
      const number = await enqueue('Patient/a', ['w1']);
      const copy = { type: 'Observation' as const, id: 'w1', reference: 'Observation/77', version: 2 };
      await given.store.outbox.markSent(number, [copy, { type: 'Provenance', id: 'v1', reference: 'Provenance/5', version: 1 }]);
      expect(await given.store.outbox.copyOf('Observation', 'w1')).toStrictEqual(copy);
      expect(await given.store.outbox.copyOf('Provenance', 'w1')).toBeUndefined();
      await given.store.outbox.markSent(number, [{ ...copy, version: 1 }]);
      expect(await given.store.outbox.copyOf('Observation', 'w1')).toStrictEqual(copy);
      await given.store.outbox.markSent(number, [{ ...copy, version: 3 }]);
      expect(await given.store.outbox.copyOf('Observation', 'w1')).toStrictEqual({ ...copy, version: 3 });
      expect(await given.store.outbox.list({ states: ['sent'], limit: 5 })).toMatchObject([{ number, state: 'sent' }]);
    });

    test('the list shows the newest, newest last, by state', async () => {
      const numbers = [];
      for (const id of ['1', '2', '3', '4']) numbers.push(await enqueue(`Patient/${id}`, [id]));
      await given.store.outbox.markSent(numbers[3] as number, []);
      const list = async (filter: Parameters<typeof given.store.outbox.list>[0]) =>
        (await given.store.outbox.list(filter)).map(({ number }) => number);
      expect(await list({ limit: 3 })).toEqual(numbers.slice(1));
      expect(await list({ states: ['waiting'], limit: 2 })).toEqual(numbers.slice(1, 3));
      expect(await list({ states: ['sent', 'waiting'], limit: 9 })).toEqual(numbers);
      expect(await list({ states: [], limit: 9 })).toEqual([]);
    });

    test('the counts say how much waits and since when', async () => {
      expect(await given.store.outbox.counts()).toStrictEqual({ waiting: 0, parked: 0 });
      const first = await enqueue('Patient/a', ['o1'], '2026-03-14T08:00:00.000Z');
      await enqueue('Patient/a', ['o2'], '2026-03-14T09:00:00.000Z');
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await given.store.outbox.counts()).toStrictEqual({ waiting: 1, parked: 1, oldestWaitingAt: '2026-03-14T09:00:00.000Z' });
    });
  });
}
