import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { LONGEST_WAIT_MS } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { outboxItem } from '../store-samples.ts';

const NOW = Date.parse('2026-03-14T08:00:00.000Z');
const LEASE_MS = 30_000;
const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;

export function outboxClaimsSuite(factory: StoreFactory): void {
  describe('claims in the outbox', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const enqueue = (person: string, ...concerns: string[]) => given.store.write((tx) => tx.enqueue(outboxItem(person, concerns)));
    const claim = (nowMs = NOW, except: number[] = []) => given.store.outbox.claim(nowMs, LEASE_MS, 10, except);
    const claimed = async (nowMs = NOW, except: number[] = []) => (await claim(nowMs, except)).map(({ number }) => number);
    const item = async (number: number) => (await given.store.outbox.list({ limit: 99 })).find((one) => one.number === number);

    describe('once another worker has claimed the item, of the first claim', () => {
      let number: number;
      beforeEach(async () => {
        number = await enqueue('Patient/a', 'o1');
        await claim();
        await claim(NOW + LEASE_MS);
      });

      test('nothing is held any more', async () => {
        expect(await given.store.outbox.holds(number, 1)).toBe(false);
        expect(await given.store.outbox.holds(number, 2)).toBe(true);
      });

      test('postponing does nothing, and says so', async () => {
        expect(await given.store.outbox.postpone(number, NOW, 'late', 1)).toBe(false);
        expect(await claimed(NOW + LEASE_MS + 1)).toEqual([]);
        expect(await given.store.outbox.postpone(number, NOW, 'in time', 2)).toBe(true);
        expect(await item(number)).toMatchObject({ reason: 'in time', dueMs: NOW });
      });

      test('parking does nothing, and says so', async () => {
        expect(await given.store.outbox.park(number, 'late', 1)).toBe(false);
        expect(await item(number)).toMatchObject({ state: 'waiting' });
        expect(await given.store.outbox.park(number, 'in time', 2)).toBe(true);
      });

      test('a copy is kept all the same, and the item is sent', async () => {
        const copy = { type: 'Observation' as const, id: 'o1', reference: 'Observation/7', version: 1 };
        expect(await given.store.outbox.markSent(number, [copy], { tries: 1 })).toBe('late');
        expect(await given.store.outbox.copyOf('Observation', 'o1')).toStrictEqual(copy);
        expect(await given.store.outbox.holds(number, 2)).toBe(false);
        expect(await given.store.outbox.markSent(number, [copy], { tries: 2 })).toBe('late');
      });
    });

    test('of an item that was parked meanwhile, the sending is kept, and what it held back goes on', async () => {
      const [first, second] = [await enqueue('Patient/a', 'o1'), await enqueue('Patient/a', 'o1')];
      await claim();
      await given.store.outbox.park(first, 'HTTP 422');
      expect(await given.store.outbox.markSent(first, [], { tries: 1 })).toBe('late');
      expect(await item(first)).toMatchObject({ state: 'sent' });
      expect(await claimed()).toEqual([second]);
    });

    test('an item that was given up stays given up, though it was sent', async () => {
      const number = await enqueue('Patient/a', 'o1');
      await given.store.outbox.discard(number, 'charted by hand', NOW);
      const copy = { type: 'Observation' as const, id: 'o1', reference: 'Observation/7', version: 1 };
      expect(await given.store.outbox.markSent(number, [copy], { tries: 1 })).toBe('late');
      expect(await item(number)).toMatchObject({ state: 'discarded', reason: 'charted by hand' });
      expect(await given.store.outbox.copyOf('Observation', 'o1')).toStrictEqual(copy);
    });

    test('a number that was handed out is never handed out again, whatever an operator does', async () => {
      const number = await enqueue('Patient/a', 'o1');
      const seen: number[] = [];
      for (let round = 0; round < 3; round += 1) {
        seen.push(...(await claim()).map(({ tries }) => tries));
        await given.store.outbox.park(number, 'HTTP 422');
        await given.store.outbox.retry(number, NOW);
      }
      expect(seen).toEqual([1, 2, 3]);
    });

    test('an item whose last claim nobody settled says so until it is settled', async () => {
      const number = await enqueue('Patient/a', 'o1');
      expect((await claim())[0]).not.toHaveProperty('isLapsed');
      expect((await claim(NOW + LEASE_MS))[0]).toMatchObject({ number, isLapsed: true });
      await given.store.outbox.postpone(number, NOW, 'the EHR did not answer', 2);
      expect((await claim())[0]).not.toHaveProperty('isLapsed');
    });

    test('what a worker has in hand is not handed to it again, nor what comes behind that', async () => {
      const [first, , other] = [await enqueue('Patient/a', 'o1'), await enqueue('Patient/a', 'o2'), await enqueue('Patient/b', 'o3')];
      await claim();
      expect(await claimed(NOW + DAY_MS, [first])).toEqual([other]);
      expect(await given.store.outbox.holds(first, 1)).toBe(true);
    });

    describe('when the clock was set', () => {
      test.each([
        ['an hour', HOUR_MS],
        ['a day', DAY_MS],
        ['31 seconds', LEASE_MS + 1_000],
      ])('back by %s, a lease from before is over at once', async (_by, ms) => {
        const number = await enqueue('Patient/a', 'o1');
        await given.store.outbox.postpone(number, NOW - 2 * DAY_MS, 'due for long');
        await claim(NOW);
        expect(await claimed(NOW - ms)).toEqual([number]);
      });

      test('back by less than a lease, a lease is waited for no longer than twice', async () => {
        const number = await enqueue('Patient/a', 'o1');
        await given.store.outbox.postpone(number, NOW - DAY_MS, 'due for long');
        await claim(NOW);
        expect(await claimed(NOW - LEASE_MS / 2 + 1)).toEqual([]);
        expect(await claimed(NOW + LEASE_MS)).toEqual([number]);
      });

      test('back by a day, what was to wait an hour is due at once', async () => {
        const number = await enqueue('Patient/a', 'o1');
        await given.store.outbox.postpone(number, NOW + LONGEST_WAIT_MS, 'the EHR asks for patience');
        expect(await claimed(NOW)).toEqual([]);
        expect(await claimed(NOW - DAY_MS)).toEqual([number]);
      });

      test('forward by a day, what waits is due early and nothing is stuck', async () => {
        const number = await enqueue('Patient/a', 'o1');
        await given.store.outbox.postpone(number, NOW + HOUR_MS, 'the EHR asks for patience');
        expect(await claimed(NOW + DAY_MS)).toEqual([number]);
        await given.store.outbox.postpone(number, NOW + DAY_MS + HOUR_MS, 'again', 1);
        expect(await claimed(NOW)).toEqual([number]);
      });
    });
  });
}
