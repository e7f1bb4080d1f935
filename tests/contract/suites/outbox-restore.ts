import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { outboxItem } from '../store-samples.ts';

const NOW = Date.parse('2026-03-14T08:00:00.000Z');
const DAY_MS = 24 * 3_600_000;

export function outboxRestoreSuite(factory: StoreFactory): void {
  describe('the outbox before operators', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const enqueue = (person: string, concerns: string[], queuedAt?: string) =>
      given.store.write((tx) => tx.enqueue(outboxItem(person, concerns, queuedAt)));
    const items = async () => given.store.outbox.list({ limit: 99 });

    test('distrust counts a try for all that is not sent, and nobody holds it any more', async () => {
      const [sent, waiting, parked] = [
        await enqueue('Patient/a', ['o1']),
        await enqueue('Patient/b', ['o2']),
        await enqueue('Patient/c', ['o3']),
      ];
      await given.store.outbox.markSent(sent, []);
      await given.store.outbox.park(parked, 'HTTP 422');
      await given.store.outbox.claim(NOW, 1_000, 9);
      expect(await given.store.outbox.distrust(NOW)).toBe(2);
      expect((await items()).map(({ number, tries }) => [number, tries])).toEqual([
        [sent, 0],
        [waiting, 2],
        [parked, 1],
      ]);
      expect(await given.store.outbox.holds(waiting, 1)).toBe(false);
    });

    test('distrust lasts for what was queued before it and for a week after it, also over a restart', async () => {
      await enqueue('Patient/a', ['o1'], '2026-01-01T08:00:00.000Z');
      await given.store.outbox.distrust(NOW);
      await enqueue('Patient/b', ['o2'], new Date(NOW + 7 * DAY_MS - 1).toISOString());
      await enqueue('Patient/c', ['o3'], new Date(NOW + 7 * DAY_MS).toISOString());
      await given.reopen();
      const claimed = await given.store.outbox.claim(NOW + 8 * DAY_MS, 1_000, 9);
      expect(claimed.map(({ isDistrusted }) => isDistrusted)).toEqual([true, true, undefined]);
    });

    test('a store that was never restored is believed', async () => {
      await enqueue('Patient/a', ['o1']);
      expect((await given.store.outbox.claim(NOW, 1_000, 9))[0]).not.toHaveProperty('isDistrusted');
    });

    test('a sent item is flagged for somebody to look at, and no other', async () => {
      const [sent, waiting] = [await enqueue('Patient/a', ['o1']), await enqueue('Patient/b', ['o2'])];
      await given.store.outbox.markSent(sent, [], { note: 'the EHR keeps it otherwise: value' });
      await given.store.outbox.flag(waiting, 'never');
      expect((await items()).map(({ reason }) => reason)).toEqual(['the EHR keeps it otherwise: value', undefined]);
      await given.store.outbox.flag(sent, 'read again: unit');
      expect((await items())[0]).toMatchObject({ state: 'sent', reason: 'read again: unit' });
    });

    test('parked items are found by number, reason and time, with what they hold back', async () => {
      const first = await enqueue('Patient/a', ['o1'], '2026-03-01T08:00:00.000Z');
      const behind = [await enqueue('Patient/a', ['o1', 'b1']), await enqueue('Patient/a', ['b1'])];
      const second = await enqueue('Patient/b', ['o2'], '2026-03-02T08:00:00.000Z');
      await enqueue('Patient/c', ['o3']);
      await given.store.outbox.park(first, 'the EHR refuses 100% of it (status 422)');
      await given.store.outbox.park(second, 'the EHR sees a Conflict (status 409)');
      const found = async (filter: Parameters<typeof given.store.outbox.parked>[0]) =>
        (await given.store.outbox.parked(filter)).map(({ number, holdsBack }) => [number, ...holdsBack]);
      expect(await found({})).toEqual([[first, ...behind], [second]]);
      expect(await found({ numbers: [second, behind[0] as number] })).toEqual([[second]]);
      expect(await found({ numbers: [] })).toEqual([]);
      expect(await found({ reasonLike: 'conflict (STATUS' })).toEqual([[second]]);
      expect(await found({ reasonLike: '0% of' })).toEqual([[first, ...behind]]);
      expect(await found({ reasonLike: 'EHR%status' })).toEqual([]);
      expect(await found({ since: '2026-03-02T08:00:00.000Z' })).toEqual([[second]]);
      expect(await found({ until: '2026-03-02T08:00:00.000Z' })).toEqual([[first, ...behind]]);
      expect(await found({ reasonLike: 'conflict', until: '2026-03-02T08:00:00.000Z' })).toEqual([]);
    });
  });
}
