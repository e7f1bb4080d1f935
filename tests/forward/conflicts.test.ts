import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { copiesOf, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.0' };
const later: InventedReading = { ...weight, id: 'w-2', digits: '70.5' };
const LONG_MS = 10 * 60_000;

let ward: Ward;
beforeEach(async () => {
  ward = await openWard();
});
afterEach(() => ward.close());

/** Lets the backoff pass after each of so many events. */
async function goOn(events: number, worker = ward.forward()): Promise<void> {
  for (let seen = ward.events.length + 1; seen <= events; seen += 1) {
    await ward.untilEvents(seen);
    ward.clock.advance(LONG_MS);
    worker.wake();
  }
}

describe('a conflict', () => {
  it.each([409, 412])('%i is looked up and sent again', async (status) => {
    ward.receiver.fail({ do: 'answer', status });
    await take(ward.store, [weight]);
    await goOn(2);
    expect(ward.events).toEqual(['postponed 1 conflict', 'sent 1']);
    expect(ward.receiver.requests().map(({ method }) => method)).toEqual(['POST', 'GET', 'GET', 'POST']);
  });

  it.each([409, 412])('%i that three look-ups do not settle is parked, and the person goes on', async (status) => {
    ward.receiver.fail({ do: 'answer', status, bodyHas: '"value":"w-1"', isLasting: true });
    await take(ward.store, [weight]);
    await take(ward.store, [later]);
    await goOn(5);
    expect(ward.events).toEqual([...Array.from({ length: 3 }, () => 'postponed 1 conflict'), 'parked 1', 'sent 2']);
    expect(ward.receiver.bundles().filter((text) => text.includes('"value":"w-1"'))).toHaveLength(4);
    expect((await ward.item(1)).reason).toBe(`the EHR sees a conflict (status ${status}), after each of 3 look-ups`);
    expect(ward.logged.filter(({ level }) => level === 'warn')).toMatchObject([{ fields: { item: 1, status, kind: 'permanent' } }]);
  });

  it('is not what an outage between conflicts counts as', async () => {
    const conflict = { do: 'answer', status: 409 } as const;
    const outage = { do: 'answer', status: 503 } as const;
    ward.receiver.fail(conflict, outage, outage, outage, conflict, outage, conflict);
    await take(ward.store, [weight]);
    await goOn(8);
    expect(ward.events.at(-1)).toBe('sent 1');
  });

  it('is counted anew after a retry', async () => {
    ward.receiver.fail(...Array.from({ length: 6 }, () => ({ do: 'answer', status: 409 }) as const));
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await goOn(4, worker);
    expect(ward.events.at(-1)).toBe('parked 1');
    await ward.store.outbox.retry(1, ward.clock.nowMs());
    worker.wake();
    await goOn(7, worker);
    expect(ward.events.slice(4)).toEqual(['postponed 1 conflict', 'postponed 1 conflict', 'sent 1']);
  });
});

describe('after an operator decided', () => {
  it('to retry, the item is looked up first: the EHR may have applied what it seemed to refuse', async () => {
    ward.receiver.fail({ do: 'apply-then', then: { spoil: 'replace', status: 422 } });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    await ward.store.outbox.retry(1, ward.clock.nowMs());
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['parked 1', 'sent 1']);
    expect(ward.receiver.requests().map(({ method }) => method)).toEqual(['POST', 'GET', 'GET']);
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
  });

  it('to retry, waiting starts small again', async () => {
    ward.receiver.fail(...Array.from({ length: 6 }, () => ({ do: 'answer', status: 408 }) as const), { do: 'answer', status: 422 });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await goOn(7, worker);
    expect(ward.events.at(-1)).toBe('parked 1');
    ward.receiver.fail({ do: 'answer', status: 408 });
    await ward.store.outbox.retry(1, ward.clock.nowMs());
    worker.wake();
    await ward.untilEvents(8);
    expect((await ward.item(1)).dueMs).toBe(ward.clock.nowMs() + 500);
  });

  it('to discard what waits, the next of the same person is sent', async () => {
    ward.receiver.fail({ do: 'answer', status: 408, bodyHas: '"value":"w-1"', isLasting: true });
    await take(ward.store, [weight]);
    await take(ward.store, [later]);
    const worker = ward.forward();
    await goOn(2, worker);
    await ward.untilEvents(3);
    expect(ward.events).toEqual(Array.from({ length: 3 }, () => 'postponed 1 transient'));
    expect(await ward.store.outbox.discard(1, 'charted by hand', ward.clock.nowMs())).toBe(true);
    worker.wake();
    await ward.untilEvents(4);
    expect(ward.events[3]).toBe('sent 2');
    expect(copiesOf(ward.receiver, 'w-1')).toEqual([]);
  });
});
