import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { outboxItem } from '../store-samples.ts';

const NOW = Date.parse('2026-03-14T08:00:00.000Z');

export function outboxParkingSuite(factory: StoreFactory): void {
  describe('parking in the outbox', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const enqueue = (...concerns: string[]) => given.store.write((tx) => tx.enqueue(outboxItem('Patient/a', concerns)));
    const enqueueAll = async (...items: string[][]) => {
      const numbers: number[] = [];
      for (const concerns of items) numbers.push(await enqueue(...concerns));
      return numbers as [number, number, number, number, number];
    };
    const states = async () =>
      (await given.store.outbox.list({ limit: 99 })).map(({ state, blockedBy }) => (blockedBy === undefined ? state : blockedBy));
    const claim = async () => (await given.store.outbox.claim(NOW, 1, 9)).map(({ number }) => number);

    test('what depends on the parked item, directly or through others, is parked; the rest goes on', async () => {
      const [first] = await enqueueAll(['w1'], ['w2'], ['h1', 'w1'], ['b1', 'h1'], ['w3']);
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await states()).toEqual(['parked', 'waiting', first, first, 'waiting']);
      expect((await given.store.outbox.list({ limit: 99 }))[0]).toMatchObject({ reason: 'HTTP 422' });
      expect(await claim()).toEqual([first + 1]);
    });

    test('an older item that shares an Observation with a dependant stays where it is', async () => {
      const [older, first] = await enqueueAll(['h1'], ['w1'], ['w1', 'h1']);
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await states()).toEqual(['waiting', 'parked', first]);
      expect(await claim()).toEqual([older]);
    });

    test('what comes later and depends on a parked item is filed as parked', async () => {
      const [first] = await enqueueAll(['w1']);
      await given.store.outbox.park(first, 'HTTP 422');
      await enqueueAll(['w1', 'b1'], ['b1'], ['w2']);
      expect(await states()).toEqual(['parked', first, first, 'waiting']);
    });

    test('a sent item holds nothing back, and a parked one only its own kind', async () => {
      const [first, second] = await enqueueAll(['w1'], ['w1']);
      await given.store.outbox.markSent(first, []);
      await given.store.outbox.park(first, 'too late to park');
      expect(await states()).toEqual(['sent', 'waiting']);
      expect(await claim()).toEqual([second]);
    });

    test('a retry brings the item and all that it blocked back, due now, in order', async () => {
      const [first, second, third] = await enqueueAll(['w1'], ['w1', 'b1'], ['b1']);
      for (let tries = 1; tries <= 3; tries += 1) await given.store.outbox.claim(NOW + tries, 1, 9);
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await claim()).toEqual([]);
      expect(await given.store.outbox.retry(first, NOW + 5)).toBe(true);
      expect(await states()).toEqual(['waiting', 'waiting', 'waiting']);
      const items = await given.store.outbox.list({ limit: 9 });
      // the tries stay: an earlier one may have been applied, and no claim gets a number that another got
      expect(items.map(({ tries }) => tries)).toEqual([3, 0, 0]);
      for (const item of items) {
        expect(item).toMatchObject({ dueMs: NOW + 5 });
        expect(item).not.toHaveProperty('reason');
      }
      for (const number of [first, second, third]) {
        expect((await given.store.outbox.claim(NOW + 5, 1000, 9)).map((item) => item.number)).toEqual([number]);
        await given.store.outbox.markSent(number, []);
      }
    });

    test('only a parked item can be retried, and a blocked one only through what blocks it', async () => {
      const [first, second, other] = await enqueueAll(['w1'], ['w1'], ['w2']);
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await given.store.outbox.retry(second, NOW)).toBe(false);
      expect(await given.store.outbox.retry(other, NOW)).toBe(false);
      expect(await given.store.outbox.retry(999, NOW)).toBe(false);
      expect(await states()).toEqual(['parked', first, 'waiting']);
    });

    test('an item that two parked ones block waits for both', async () => {
      const [first, second] = await enqueueAll(['w1'], ['h1']);
      await given.store.outbox.park(first, 'HTTP 422');
      await given.store.outbox.park(second, 'HTTP 422');
      await enqueueAll(['w1', 'h1'], ['w1']);
      expect(await states()).toEqual(['parked', 'parked', first, first]);
      await given.store.outbox.retry(first, NOW);
      // the fourth shares w1 with the third, which now waits for the second
      expect(await states()).toEqual(['waiting', 'parked', second, second]);
      await given.store.outbox.retry(second, NOW);
      expect(await states()).toEqual(['waiting', 'waiting', 'waiting', 'waiting']);
    });

    test('a discarded item is never sent, and what it blocked goes on', async () => {
      const [first, second, other] = await enqueueAll(['w1'], ['w1'], ['w2']);
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await given.store.outbox.discard(first, 'entered twice', NOW)).toBe(true);
      expect(await states()).toEqual(['discarded', 'waiting', 'waiting']);
      expect((await given.store.outbox.list({ states: ['discarded'], limit: 9 }))[0]).toMatchObject({
        number: first,
        reason: 'entered twice',
      });
      expect(await given.store.outbox.discard(first, 'again', NOW)).toBe(false);
      expect(await claim()).toEqual([second]);
      expect(other).toBeGreaterThan(second);
    });

    test('a waiting item can be discarded, and the next of the same person is due', async () => {
      const [first, second] = await enqueueAll(['w1'], ['w1']);
      await claim();
      await given.store.outbox.postpone(first, NOW + 60_000, 'the EHR sees a conflict');
      expect(await claim()).toEqual([]);
      expect(await given.store.outbox.discard(first, 'charted by hand', NOW)).toBe(true);
      expect(await states()).toEqual(['discarded', 'waiting']);
      expect(await claim()).toEqual([second]);
    });

    test('an item that is being sent cannot be discarded until its lease ends', async () => {
      const [first] = await enqueueAll(['w1']);
      await given.store.outbox.claim(NOW, 1_000, 9);
      expect(await given.store.outbox.discard(first, 'too late', NOW + 999)).toBe(false);
      expect(await states()).toEqual(['waiting']);
      expect(await given.store.outbox.discard(first, 'its worker is gone', NOW + 1_000)).toBe(true);
      expect(await given.store.outbox.claim(NOW + 1_000, 1_000, 9)).toEqual([]);
    });

    test('a sent item cannot be discarded', async () => {
      const [first] = await enqueueAll(['w1']);
      await given.store.outbox.markSent(first, []);
      expect(await given.store.outbox.discard(first, 'too late', NOW)).toBe(false);
      expect(await given.store.outbox.discard(999, 'never was', NOW)).toBe(false);
      expect(await states()).toEqual(['sent']);
    });

    test('what is parked stays parked over a restart', async () => {
      const [first] = await enqueueAll(['w1'], ['w1']);
      await given.store.outbox.park(first, 'HTTP 422');
      await given.reopen();
      expect(await states()).toEqual(['parked', first]);
      await enqueue('w1');
      expect(await states()).toEqual(['parked', first, first]);
    });
  });
}
