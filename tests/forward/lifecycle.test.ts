import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { deliver } from '../../src/forward/delivery.ts';
import { EhrClient } from '../../src/forward/ehr-client.ts';
import { StoreUnavailable } from '../../src/ports.ts';
import { copiesOf, NOON, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.0' };

let ward: Ward;
beforeEach(async () => {
  ward = await openWard();
});
afterEach(() => ward.close());

async function untilBundles(count: number): Promise<void> {
  while (ward.receiver.bundles().length < count) await new Promise((resolve) => setImmediate(resolve));
}

describe('stopping', () => {
  it('lets a send that is under way finish and be written down', async () => {
    ward.receiver.fail({ do: 'delay', ms: 100 });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await untilBundles(1);
    await worker.stop();
    expect(ward.events).toEqual(['sent 1']);
    expect((await ward.item(1)).state).toBe('sent');
  });

  it('cuts off a send that does not finish in time, which the next start looks up', async () => {
    ward.receiver.fail({ do: 'apply-then', then: { spoil: 'hang' } });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await untilBundles(1);
    await worker.stop(20);
    expect(ward.events).toEqual(['postponed 1 unclear']);
    ward.clock.advance(60_000);
    ward.forward();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
    expect(ward.receiver.bundles()).toHaveLength(1);
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
  });

  it('takes nothing new, and does not mind being asked twice or before it started', async () => {
    const worker = ward.forward();
    await worker.stop();
    await worker.stop();
    await take(ward.store, [weight]);
    worker.wake();
    expect(ward.receiver.requests()).toEqual([]);
    expect((await ward.item(1)).tries).toBe(0);
  });
});

describe('after a crash', () => {
  /** Claims and sends as a worker does, and dies before it writes down what came of it. */
  async function dieAfterSending(leaseMs: number): Promise<void> {
    const [item] = await ward.store.outbox.claim(ward.clock.nowMs(), leaseMs, 1);
    const ehr = new EhrClient({ baseUrl: ward.receiver.url, timeoutMs: 2_000 });
    const outcome = await deliver(
      item as NonNullable<typeof item>,
      { outbox: ward.store.outbox, read: ward.store.read, ehr },
      { lookUpFirst: false, requestId: 'x', stop: new AbortController().signal, maySend: () => Promise.resolve(true) },
    );
    expect(outcome.kind).toBe('sent');
    await ehr.close();
  }

  it("an item is nobody else's until its lease ends, and then is looked up, not sent again", async () => {
    await take(ward.store, [weight]);
    await dieAfterSending(60_000);
    const worker = ward.forward();
    await take(ward.store, [{ ...weight, id: 'w-2', person: 'Patient/lantern-2' }]);
    worker.wake();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 2']);
    ward.clock.advance(60_001);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
    expect(ward.receiver.bundles()).toHaveLength(2);
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
  });

  it('a store that cannot write down a send leaves one copy all the same', async () => {
    await take(ward.store, [weight]);
    let isDown = true;
    const outbox = new Proxy(ward.store.outbox, {
      get: (target, name) => {
        if (name === 'markSent' && isDown) return () => Promise.reject(new StoreUnavailable('locked'));
        const member: unknown = Reflect.get(target, name, target);
        return typeof member === 'function' ? (member.bind(target) as unknown) : member;
      },
    });
    const worker = ward.forward({ outbox });
    while (ward.logged.length === 0) await new Promise((resolve) => setImmediate(resolve));
    expect(ward.logged).toEqual([
      { level: 'error', fields: { item: 1, tries: 1, error: 'ERR_STORE_UNAVAILABLE' }, message: 'an outbox item could not be worked on' },
    ]);
    isDown = false;
    ward.clock.advance(60_001);
    worker.wake();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.bundles()).toHaveLength(1);
  });
});

it('looks by itself for items that come due', async () => {
  await take(ward.store, [weight], NOON + 1_000);
  ward.forward({ pollMs: 5 });
  ward.clock.advance(1_000);
  await ward.untilEvents(1);
  expect(ward.events).toEqual(['sent 1']);
});

it('refuses a lease that could end while its attempt is under way', () => {
  expect(() => ward.forward({ timeoutMs: 20_000, leaseMs: 60_000 })).toThrow(RangeError);
});
