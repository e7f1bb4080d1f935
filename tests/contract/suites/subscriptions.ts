import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { ANYBODY, type Call } from '../../../src/caller.ts';
import type { ClaimedSubscription, NewSubscription, Store, SubscriptionEvent } from '../../../src/ports.ts';
import { SYSTEM } from '../../../src/core/terminology.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { observationContent, putWeight, reading, factsOf } from '../store-samples.ts';

const LEASE_MS = 30_000;
const DAY_MS = 86_400_000;
const CALL: Call = { requestId: 'r-1', caller: ANYBODY };

export function subscriptionsSuite(factory: StoreFactory): void {
  describe('subscriptions', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const now = (): number => given.clock.ms;
    const add = (id = 's1', changes: Partial<NewSubscription> = {}) =>
      given.store.subscriptions.add({ id, text: '{"resourceType":"Subscription"}', filter: {}, ...changes }, 50, now(), CALL);
    const claim = async (store: Store = given.store): Promise<ClaimedSubscription> => {
      const [claimed] = await store.subscriptions.claim(now(), LEASE_MS, 9);
      if (claimed === undefined) throw new Error('there was nothing to claim');
      return claimed;
    };
    const claimedIds = async (): Promise<string[]> => (await given.store.subscriptions.claim(now(), LEASE_MS, 9)).map(({ id }) => id);
    const told = (events: readonly SubscriptionEvent[]): string[] =>
      events.map(({ number, resource }) => `${number} ${resource?.id ?? 'removed'}/${resource?.version ?? '-'}`);
    const greeted = async (): Promise<void> => {
      const claimed = await claim();
      await given.store.subscriptions.markDelivered(claimed, 0, now());
      await given.store.subscriptions.release(claimed);
    };
    /** Takes everything that there is, a few at a time. */
    const drain = async (limit = 3): Promise<string[]> => {
      const [claimed] = await given.store.subscriptions.claim(now(), LEASE_MS, 9);
      if (claimed === undefined) return [];
      const seen: string[] = [];
      for (;;) {
        const events = await given.store.subscriptions.nextEvents(claimed, limit, now());
        const last = events.at(-1);
        if (last === undefined) break;
        seen.push(...told(events));
        await given.store.subscriptions.markDelivered(claimed, last.number, now());
      }
      await given.store.subscriptions.release(claimed);
      return seen;
    };

    test('begin behind what is stored, greet first, and number what comes from 1', async () => {
      await putWeight(given.store, 'before');
      expect(await add()).toMatchObject({ state: 'requested', numbered: 0, delivered: 0 });
      const first = await claim();
      expect(await given.store.subscriptions.nextEvents(first, 9, now())).toEqual([]);
      expect(await given.store.subscriptions.markDelivered(first, 0, now())).toBe(true);
      await given.store.subscriptions.release(first);
      expect(await given.store.subscriptions.find('s1', now())).toMatchObject({ state: 'active' });
      expect(await claimedIds()).toEqual([]);
      for (const id of ['a', 'b', 'a', 'c', 'd']) await putWeight(given.store, id);
      expect(await drain()).toEqual(['1 a/1', '2 b/1', '3 a/2', '4 c/1', '5 d/1']);
      expect(await claimedIds()).toEqual([]);
      expect(await given.store.subscriptions.find('s1', now())).toMatchObject({ numbered: 5, delivered: 5 });
    });

    test('tell nothing of what is held until it is released, and tell of a hold of what was told before', async () => {
      await add();
      await greeted();
      await putWeight(given.store, 'doubtful', { held: true, status: 'preliminary' });
      await putWeight(given.store, 'certain');
      await putWeight(given.store, 'doubtful', { held: true, status: 'preliminary' });
      expect(await drain()).toEqual(['1 certain/1']);
      await putWeight(given.store, 'doubtful');
      await putWeight(given.store, 'certain', { held: true, status: 'preliminary' });
      expect(await drain()).toEqual(['2 doubtful/3', '3 certain/2']);
    });

    test('tell of what their criteria name, and count nothing else', async () => {
      await add('heights', { filter: { codes: [{ system: SYSTEM.loinc, value: '8302-2' }] } });
      await greeted();
      await putWeight(given.store, 'w');
      await putWeight(given.store, 'h', { codes: [{ system: SYSTEM.loinc, value: '8302-2' }] });
      await putWeight(given.store, 'other', { codes: [{ system: 'urn:invented', value: '8302-2' }] });
      await putWeight(given.store, 'h', { codes: [{ system: SYSTEM.loinc, value: '8302-2' }] });
      expect(await drain()).toEqual(['1 h/1', '2 h/2']);
    });

    test('give the same numbers to the same versions after a restart, and again until they are taken', async () => {
      await add();
      await greeted();
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      const before = await claim();
      expect(told(await given.store.subscriptions.nextEvents(before, 2, now()))).toEqual(['1 a/1', '2 b/1']);
      await given.reopen();
      given.clock.ms += LEASE_MS;
      const after = await claim();
      expect(told(await given.store.subscriptions.nextEvents(after, 9, now()))).toEqual(['1 a/1', '2 b/1']);
      expect(await given.store.subscriptions.markDelivered(after, 1, now())).toBe(true);
      expect(told(await given.store.subscriptions.nextEvents(after, 9, now()))).toEqual(['2 b/1']);
    });

    test('are in one hand at a time: a claim that is over numbers, marks and holds nothing', async () => {
      await add();
      await greeted();
      await putWeight(given.store, 'a');
      const first = await claim();
      expect(await claimedIds()).toEqual([]);
      given.clock.ms += LEASE_MS;
      const second = await claim();
      expect(await given.store.subscriptions.holds(first)).toBe(false);
      expect(await given.store.subscriptions.nextEvents(first, 9, now())).toEqual([]);
      expect(told(await given.store.subscriptions.nextEvents(second, 9, now()))).toEqual(['1 a/1']);
      expect(await given.store.subscriptions.markDelivered(first, 1, now())).toBe(false);
      expect(await given.store.subscriptions.markFailed(first, { nowMs: now(), dueMs: now(), isError: true, reason: 'late' })).toBe(false);
      await given.store.subscriptions.release(first);
      expect(await given.store.subscriptions.holds(second)).toBe(true);
      expect(await given.store.subscriptions.markDelivered(second, 1, now())).toBe(true);
    });

    test('wait after a failure, say that they are in error, and are active again after the next success', async () => {
      await add();
      await greeted();
      await putWeight(given.store, 'a');
      const claimed = await claim();
      await given.store.subscriptions.nextEvents(claimed, 9, now());
      await given.store.subscriptions.markFailed(claimed, { nowMs: now(), dueMs: now() + 1000, isError: false, reason: 'status 503' });
      expect(await given.store.subscriptions.find('s1', now())).toMatchObject({ state: 'active' });
      expect(await claimedIds()).toEqual([]);
      given.clock.ms += 1000;
      const again = await claim();
      expect(again).toMatchObject({ failures: 1, failingSinceMs: now() - 1000 });
      await given.store.subscriptions.markFailed(again, { nowMs: now(), dueMs: now(), isError: true, reason: 'status 503' });
      expect(await given.store.subscriptions.find('s1', now())).toMatchObject({ state: 'error', error: 'status 503', delivered: 0 });
      expect(await drain()).toEqual(['1 a/1']);
      const after = await given.store.subscriptions.find('s1', now());
      expect(after).toMatchObject({ state: 'active', delivered: 1 });
      expect(after).not.toHaveProperty('error');
    });

    test('are off once their time is over', async () => {
      await add('s1', { endsMs: now() + 1000 });
      await greeted();
      await putWeight(given.store, 'a');
      given.clock.ms += 1000;
      expect(await claimedIds()).toEqual([]);
      expect(await given.store.subscriptions.list(now())).toMatchObject([{ state: 'off' }]);
    });

    test('are as many as are allowed, and none of one that was removed is left', async () => {
      await add('s1');
      expect(await given.store.subscriptions.add({ id: 's2', text: '{}', filter: {} }, 1, now(), CALL)).toBeUndefined();
      await greeted();
      await putWeight(given.store, 'a');
      expect(await drain()).toEqual(['1 a/1']);
      expect(await given.store.subscriptions.remove('s1', now(), CALL)).toBe(true);
      expect(await given.store.subscriptions.remove('s1', now(), CALL)).toBe(false);
      expect(await given.store.subscriptions.list(now())).toEqual([]);
      expect(await add('s2')).toMatchObject({ id: 's2', numbered: 0 });
    });

    test('give events again by number, until they are a month old', async () => {
      await add();
      await greeted();
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      await drain();
      const events = async (from: number | undefined, to: number, limit = 9) =>
        given.store.subscriptions.events('s1', { to, limit, ...(from !== undefined && { from }) }, now());
      expect(told((await events(2, 3))?.events ?? [])).toEqual(['2 b/1', '3 c/1']);
      expect(told((await events(undefined, 99, 2))?.events ?? [])).toEqual(['1 a/1', '2 b/1']);
      given.clock.ms += 31 * DAY_MS;
      await putWeight(given.store, 'd');
      await drain();
      expect(await events(undefined, 99)).toMatchObject({ events: [{ number: 4 }], numbered: 4, firstKept: 4 });
      expect(await given.store.subscriptions.events('other', { to: 9, limit: 9 }, now())).toBeUndefined();
    });

    test('keep what was not taken, however old it is', async () => {
      await add();
      await greeted();
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      const first = await claim();
      expect(told(await given.store.subscriptions.nextEvents(first, 9, now()))).toHaveLength(3);
      given.clock.ms += 31 * DAY_MS;
      const later = await claim();
      expect(await given.store.subscriptions.markDelivered(later, 1, now())).toBe(true);
      expect(told(await given.store.subscriptions.nextEvents(later, 9, now()))).toEqual(['2 b/1', '3 c/1']);
    });

    test('never go back to what was taken before, nor on to what has no number', async () => {
      await add();
      await greeted();
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      const claimed = await claim();
      await given.store.subscriptions.nextEvents(claimed, 2, now());
      expect(await given.store.subscriptions.markDelivered(claimed, 2, now())).toBe(true);
      expect(await given.store.subscriptions.markDelivered(claimed, 1, now())).toBe(false);
      expect(await given.store.subscriptions.markDelivered(claimed, 3, now())).toBe(false);
      expect(told(await given.store.subscriptions.nextEvents(claimed, 9, now()))).toEqual(['3 c/1']);
    });

    test('number what nobody was told of when somebody asks, and tell of it later under the same numbers', async () => {
      await add();
      await greeted();
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      const ask = (limit: number) => given.store.subscriptions.events('s1', { from: 1, to: 99, limit }, now());
      const pages = await Promise.all([ask(2), ask(2), ask(9)]);
      for (const page of pages) expect(told(page?.events ?? []).slice(0, 2)).toEqual(['1 a/1', '2 b/1']);
      expect(await drain()).toEqual(['1 a/1', '2 b/1', '3 c/1']);
    });

    // a statement of SQLite has 32,766 parameters at most; the other database has more, and would only take longer
    test.runIf(factory.name === 'SQLite')(
      'number all that waits when somebody asks for what is far ahead, however much that is',
      async () => {
        await add();
        await greeted();
        await given.store.write(async (tx) => {
          for (let index = 0; index < 8_200; index += 1)
            await tx.putObservation(`w${index}`, observationContent('70.0'), factsOf(reading(`w${index}`, 1)));
        });
        const ahead = await given.store.subscriptions.events('s1', { from: 1_000_000, to: Number.MAX_SAFE_INTEGER, limit: 9 }, now());
        expect(ahead).toMatchObject({ events: [], numbered: 8_200, firstKept: 1 });
        const last = await given.store.subscriptions.events('s1', { from: 8_200, to: 8_200, limit: 9 }, now());
        expect(last?.events).toMatchObject([{ number: 8_200, resource: { id: 'w8199' } }]);
      },
    );

    test('say how far they are behind', async () => {
      await add();
      await greeted();
      expect(await given.store.subscriptions.figures(now())).toEqual({ byState: { requested: 0, active: 1, error: 0, off: 0 }, behind: 0 });
      const first = await putWeight(given.store, 'a');
      await putWeight(given.store, 'h', { held: true });
      await putWeight(given.store, 'b');
      expect(await given.store.subscriptions.figures(now())).toMatchObject({ behind: 2, oldestAt: first.lastUpdated });
      const claimed = await claim();
      await given.store.subscriptions.nextEvents(claimed, 9, now());
      expect(await given.store.subscriptions.figures(now())).toMatchObject({ behind: 2, oldestAt: first.lastUpdated });
      await given.store.subscriptions.markDelivered(claimed, 2, now());
      expect(await given.store.subscriptions.figures(now())).toMatchObject({ behind: 0 });
    });

    test('are off after the store was put back, and say why', async () => {
      await add();
      await greeted();
      await given.store.outbox.distrust(now());
      await putWeight(given.store, 'a');
      expect(await claimedIds()).toEqual([]);
      expect(await given.store.subscriptions.find('s1', now())).toMatchObject({
        state: 'off',
        error: expect.stringContaining('backup') as string,
      });
    });

    test('leave in the audit who made and removed them, and what of whom was sent', async () => {
      await add();
      await greeted();
      await given.store.write((tx) =>
        tx.putObservation('a', observationContent('70.0'), factsOf(reading('a', 1, { person: 'Patient/wren' }))),
      );
      await drain();
      await given.store.subscriptions.remove('s1', now(), CALL);
      const { events } = await given.store.audit.search({ references: [['Subscription/s1']], count: 9 });
      const [removed, notified, made] = events.map(({ text }) => text);
      expect(made).toContain('"code":"create"');
      expect(notified).toContain('"code":"notified"');
      expect(notified).toContain('Patient/wren');
      expect(notified).toContain('Observation/a/_history/1');
      expect(removed).toContain('"code":"delete"');
      expect(events).toHaveLength(3);
    });
  });
}
