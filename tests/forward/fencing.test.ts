/** One send in flight for each identity: over workers, stopped processes and clocks that are set. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as passing } from 'node:timers/promises';
import { afterEach, describe, expect, it } from 'vitest';
import type { Fault } from '../../examples/receiver/faults.ts';
import type { Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { gate, watched } from './gates.ts';
import { seeded } from './seeded.ts';
import { copiesOf, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weightOf = (n: number): InventedReading => ({ of: 'weight', id: `w-${n}`, digits: '80.0', person: `Patient/lantern-${n}` });
const weight = weightOf(1);
const LEASE_MS = 60_000;
const DAY_MS = 86_400_000;

let ward: Ward;
const toEnd: (() => Promise<void> | void)[] = [];
afterEach(async () => {
  await ward.close();
  for (const end of toEnd.splice(0).reverse()) await end();
});

describe('a worker that was stopped for longer than its lease', () => {
  it('between its look-ups and its send, sends nothing: another has taken the item over', async () => {
    ward = await openWard({ faults: [{ do: 'delay', ms: 50 }] });
    await take(ward.store, [weight]);
    const { open, isReached, pass } = gate();
    ward.forward({ outbox: watched(ward.store.outbox, 'holds', pass) });
    await isReached;
    ward.clock.advance(LEASE_MS);
    ward.forward();
    await ward.untilEvents(1);
    open();
    await ward.untilNotice('late 1');
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.bundles()).toHaveLength(1);
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
  });

  it('while its answer came back, keeps where the copy is, and says that it was late', async () => {
    ward = await openWard();
    await take(ward.store, [weight]);
    const { open, isReached, pass } = gate();
    ward.forward({ outbox: watched(ward.store.outbox, 'markSent', pass) });
    await isReached;
    ward.clock.advance(LEASE_MS);
    await ward.store.outbox.claim(ward.clock.nowMs(), LEASE_MS, 9);
    open();
    await ward.untilNotice('late 1');
    expect(await ward.store.outbox.copyOf('Observation', 'w-1')).toMatchObject({ version: 1 });
    expect(await ward.item(1)).toMatchObject({ state: 'sent', tries: 2 });
    expect(ward.logged.filter(({ level }) => level === 'warn')).toMatchObject([{ fields: { item: 1, tries: 1 } }]);
  });

  it.each([
    ['postpone', 408],
    ['park', 422],
  ] as const)('does not %s what another has in hand', async (name, status) => {
    ward = await openWard({ faults: [{ do: 'answer', status }] });
    await take(ward.store, [weight]);
    const { open, isReached, pass } = gate();
    ward.forward({ outbox: watched(ward.store.outbox, name, pass) });
    await isReached;
    ward.clock.advance(LEASE_MS);
    const [taken] = await ward.store.outbox.claim(ward.clock.nowMs(), LEASE_MS, 9);
    open();
    await ward.untilNotice('late 1');
    expect(await ward.item(1)).toMatchObject({ state: 'waiting', tries: 2 });
    expect(await ward.store.outbox.holds(1, taken?.tries ?? 0)).toBe(true);
  });
});

it.each<readonly [string, (elapse: (ms: number) => void) => void]>([
  ['the clock', () => ward.clock.advance(LEASE_MS - 1_000)],
  ['a clock that nobody sets', (elapse) => elapse(LEASE_MS - 1_000)],
])('lets an item go when, by %s, its lease could end before the answer comes', async (_which, letPass) => {
  ward = await openWard();
  await take(ward.store, [weight]);
  let elapsed = 0;
  let isSlow = true;
  const outbox = watched(ward.store.outbox, 'copyOf', () => {
    if (isSlow) letPass((ms) => (elapsed += ms));
    return Promise.resolve();
  });
  const worker = ward.forward({ outbox, elapsedMs: () => elapsed });
  while (!(await ward.item(1)).reason) await passing(5);
  expect((await ward.item(1)).reason).toBe('there was too little time left to send it after it was looked up');
  expect(ward.receiver.bundles()).toEqual([]);
  isSlow = false;
  ward.clock.advance(1_000);
  worker.wake();
  await ward.untilEvents(1);
  expect(ward.events).toEqual(['sent 1']);
});

describe('a clock that is set', () => {
  it('forward by a day while a send is under way starts no second one beside it', async () => {
    ward = await openWard({ faults: [{ do: 'delay', ms: 120 }] });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    while (ward.receiver.bundles().length === 0) await passing(2);
    ward.clock.advance(DAY_MS);
    for (let turn = 0; turn < 5; turn += 1) {
      worker.wake();
      await passing(5);
    }
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.notices).toEqual([]);
    expect(ward.receiver.bundles()).toHaveLength(1);
  });

  it.each([3_600_000, DAY_MS])(
    'back by %i ms stalls neither what was postponed for an hour, nor what a dead worker had, nor what just came in',
    async (ms) => {
      ward = await openWard({ faults: [{ do: 'answer', status: 408, headers: { 'retry-after': '3600' } }] });
      for (let n = 1; n <= 2; n += 1) await take(ward.store, [weightOf(n)]);
      await ward.store.outbox.claim(ward.clock.nowMs(), LEASE_MS, 1);
      const worker = ward.forward();
      await ward.untilEvents(1);
      expect(ward.events).toEqual(['postponed 2 transient']);
      await take(ward.store, [weightOf(3)]);
      ward.clock.advance(-ms);
      worker.wake();
      await ward.untilEvents(4);
      expect(ward.events.slice(1).toSorted()).toEqual(['sent 1', 'sent 2', 'sent 3']);
    },
  );

  it('back by a day does not leave the breaker open for that day', async () => {
    ward = await openWard({ faults: [{ do: 'answer', status: 503, headers: { 'retry-after': '3600' } }] });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await ward.untilNotice('breaker open');
    await ward.untilEvents(1);
    ward.clock.advance(-DAY_MS);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
  });
});

describe('two workers on one outbox', () => {
  it('of two processes never send one identity at once, to an EHR that races and forgets, whatever the clock of one says', async () => {
    const underWay = new Map<Fault, readonly string[]>();
    const overlaps: string[] = [];
    const random = seeded(7);
    ward = await openWard({
      racyMs: 20,
      forgetsAfter: 3,
      dice: {
        next: (kind, body) => {
          if (kind !== 'bundle') return undefined;
          const ids = [...new Set(body.match(/"value":"w-\d+"/g))];
          overlaps.push(...ids.filter((id) => [...underWay.values()].some((others) => others.includes(id))));
          const fault: Fault = random() < 0.2 ? { do: 'apply-then', then: { spoil: 'reset' } } : { do: 'delay', ms: 120 };
          underWay.set(fault, ids);
          return fault;
        },
      },
      onFault: (fault) => underWay.delete(fault),
    });
    const folder = mkdtempSync(join(tmpdir(), 'steelyard-two-'));
    toEnd.push(() => rmSync(folder, { recursive: true, force: true }));
    const open = async (): Promise<Store> => {
      const store = await openSqliteStore(join(folder, 'ward.db'), { clock: ward.clock, exclusive: false });
      toEnd.push(() => store.close());
      return store;
    };
    const [one, other] = [await open(), await open()];
    for (let n = 1; n <= 30; n += 1) await take(one, [weightOf(n)]);
    let skewMs = 0;
    const skewed = { nowMs: () => ward.clock.nowMs() + skewMs };
    const shared = { isShared: true, timeoutMs: 300, leaseMs: 1_500, pollMs: 5 };
    ward.forward({ ...shared, outbox: one.outbox, read: one.read });
    ward.forward({ ...shared, outbox: other.outbox, read: other.read, clock: skewed });
    for (let turn = 0; (await one.outbox.counts()).waiting > 0; turn += 1) {
      await passing(20);
      ward.clock.advance(200);
      skewMs = turn % 3 === 0 ? 0 : 1_000;
    }
    expect(overlaps).toEqual([]);
    for (let n = 1; n <= 30; n += 1) expect(copiesOf(ward.receiver, `w-${n}`)).toHaveLength(1);
  }, 30_000);

  it('that took an item over waits until the call of the other must be over', async () => {
    ward = await openWard();
    await take(ward.store, [weight]);
    await ward.store.outbox.claim(ward.clock.nowMs(), LEASE_MS, 1);
    ward.clock.advance(LEASE_MS);
    const paused: number[] = [];
    const pause = (ms: number): Promise<void> => {
      paused.push(ms);
      expect(ward.receiver.requests()).toEqual([]);
      return Promise.resolve();
    };
    ward.forward({ isShared: true, timeoutMs: 700, pause });
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(paused).toEqual([700]);
    expect(ward.receiver.requests().map(({ method }) => method)).toEqual(['GET', 'GET', 'POST']);
  });
});
