/** An EHR that is down, slow, busy, or stumbles over single items, and a ward that goes on weighing. Time is the test's own. */
import { afterEach, describe, expect, it } from 'vitest';
import type { Fault } from '../../examples/receiver/faults.ts';
import type { ForwardWorker } from '../../src/forward/worker.ts';
import { seeded } from './seeded.ts';
import { copiesOf, openWard, take, type InventedReading, type Ward } from './ward.ts';

const SECOND_MS = 1_000;
const MINUTE_MS = 60_000;
const HOUR_MS = 3_600_000;
const weightOf = (n: number): InventedReading => ({ of: 'weight', id: `w-${n}`, digits: '80.0', person: `Patient/lantern-${n}` });
const holding = (n: number): string => `"value":"w-${n}"`;

let ward: Ward;
afterEach(() => ward.close());

async function takeMany(count: number, from = 1): Promise<void> {
  for (let n = from; n < from + count; n += 1) await take(ward.store, [weightOf(n)]);
}

/** Moves the clock on in steps while nothing is under way, until enough is sent or the time is over. */
async function pass(worker: ForwardWorker, ms: number, stepMs: number, isDone: () => boolean = () => false): Promise<void> {
  for (let passed = 0; passed < ms && !isDone(); passed += stepMs) {
    ward.clock.advance(stepMs);
    worker.wake();
    await settled();
  }
}

/** Waits, in real time, until no attempt is under way, however long a machine at work takes over one. */
async function settled(): Promise<void> {
  do await new Promise((resolve) => setTimeout(resolve, 1));
  while (ward.isBusy());
}

const sent = (): number => ward.events.filter((event) => event.startsWith('sent')).length;

describe('an EHR that is down for an hour', () => {
  const isDown = (status: number): Fault => ({ do: 'answer', status, isLasting: true });

  it.each([503, 500])(
    '(%i) is probed seldom and by one at a time, and then drained in order with nothing lost or doubled',
    async (status) => {
      let isUp = false;
      ward = await openWard({ dice: { next: () => (isUp ? undefined : isDown(status)) } });
      await takeMany(40);
      const worker = ward.forward({ timeoutMs: 500, random: seeded(11) });
      await pass(worker, HOUR_MS, 20 * SECOND_MS);
      const calls = ward.receiver.requests().length;
      expect(calls).toBeLessThan(HOUR_MS / (5 * SECOND_MS));
      expect(calls).toBeGreaterThan(5);
      expect(await ward.store.outbox.counts()).toMatchObject({ waiting: 40, parked: 0 });
      expect(ward.notices.filter((notice) => notice === 'breaker closed')).toEqual([]);

      isUp = true;
      await pass(worker, HOUR_MS, 20 * SECOND_MS, () => sent() === 40);
      expect(sent()).toBe(40);
      expect(ward.notices.filter((notice) => notice === 'breaker closed')).toHaveLength(1);
      expect(ward.logged.filter(({ message }) => message === 'the EHR takes readings again')).toHaveLength(1);
      for (let n = 1; n <= 40; n += 1) expect(copiesOf(ward.receiver, `w-${n}`)).toHaveLength(1);
    },
  );

  it('is called by 1, 2, 4 … at once when it is up again', async () => {
    let isUp = false;
    let underWay = 0;
    const widths: number[] = [];
    ward = await openWard({
      dice: {
        next: (kind) => {
          if (!isUp) return isDown(503);
          if (kind === 'bundle') widths.push((underWay += 1));
          return { do: 'delay', ms: kind === 'bundle' ? 20 : 1 };
        },
      },
      onFault: (fault) => {
        if (fault.do === 'delay' && fault.ms === 20) underWay -= 1;
      },
    });
    await takeMany(30);
    const worker = ward.forward({ parallel: 8, random: () => 0.5 });
    await ward.untilNotice('breaker open');
    await settled();
    isUp = true;
    await pass(worker, HOUR_MS, 10 * SECOND_MS, () => sent() === 30);
    // one probe, then one alone, and never more than twice what was before
    expect(widths.slice(0, 2)).toEqual([1, 1]);
    expect(Math.max(...widths.slice(0, 4))).toBeLessThanOrEqual(2);
    expect(Math.max(...widths.slice(0, 8))).toBeLessThanOrEqual(4);
    expect(Math.max(...widths)).toBeGreaterThan(4);
    expect(Math.max(...widths)).toBeLessThanOrEqual(8);
  });
});

describe('an EHR that says when to come back', () => {
  it.each([
    [429, '90', 90 * SECOND_MS],
    [503, 'Mon, 02 Mar 2026 12:01:30 GMT', 90 * SECOND_MS],
    [429, '315360000', HOUR_MS],
    [503, 'Fri, 02 Mar 2035 12:00:00 GMT', HOUR_MS],
  ])('(%i, Retry-After %s) hears nothing until then, whatever comes in, and no storm after', async (status, header, waitMs) => {
    const answered: Fault = { do: 'answer', status, headers: { 'retry-after': header } };
    // answers take their time, which is none of the ward's
    ward = await openWard({ faults: [answered], dice: { next: () => ({ do: 'delay', ms: 20 }) } });
    await takeMany(1);
    const worker = ward.forward({ parallel: 8 });
    await ward.untilEvents(1);
    await takeMany(20, 2);
    await pass(worker, waitMs - SECOND_MS, (waitMs - SECOND_MS) / 10);
    expect(ward.receiver.requests()).toHaveLength(1);
    await pass(worker, 4 * SECOND_MS, 2 * SECOND_MS, () => ward.receiver.requests().length > 1);
    expect(ward.receiver.requests().length).toBeGreaterThan(1);
    await pass(worker, HOUR_MS, MINUTE_MS, () => sent() === 21);
    expect(sent()).toBe(21);
  });

  it.each([undefined, '0', 'tomorrow', '-5', '1e9'])(
    'in no way that makes sense (%s) is called after jitter, less and less often',
    async (header) => {
      ward = await openWard({
        faults: [{ do: 'answer', status: 429, isLasting: true, headers: header === undefined ? {} : { 'retry-after': header } }],
      });
      await takeMany(10);
      const worker = ward.forward({ parallel: 8, random: seeded(3) });
      await pass(worker, 10 * MINUTE_MS, 5 * SECOND_MS);
      expect(ward.receiver.bundles().length).toBeLessThan(40);
      expect(await ward.store.outbox.counts()).toMatchObject({ waiting: 10, parked: 0 });
    },
    20_000,
  );
});

describe('one item that the EHR stumbles over', () => {
  it.each<readonly [string, Fault, number]>([
    ['hangs at', { do: 'delay', ms: 3_600_000 }, 100],
    ['crashes at', { do: 'reset' }, 500],
    ['fails at with 500', { do: 'answer', status: 500 }, 500],
    ['answers 503 and an hour', { do: 'answer', status: 503, headers: { 'retry-after': '3600' } }, 500],
    ['forbids', { do: 'answer', status: 403 }, 500],
  ])(
    '(it %s) keeps neither others waiting nor the breaker open again and again',
    async (_what, fault, timeoutMs) => {
      ward = await openWard({ faults: [{ ...fault, bodyHas: holding(1), isLasting: true }] });
      await takeMany(1);
      await take(ward.store, [{ ...weightOf(1), id: 'w-1-later' }]);
      const worker = ward.forward({ timeoutMs, parallel: 2, random: seeded(5) });
      // whose trouble it is shows once others got through in between
      await takeMany(5, 5);
      await pass(worker, 4 * HOUR_MS, 5 * MINUTE_MS, () => sent() === 5);
      for (let round = 1; round <= 5; round += 1) {
        await pass(worker, HOUR_MS, 20 * MINUTE_MS);
        await takeMany(3, 10 * round);
        await pass(worker, MINUTE_MS, 10 * SECOND_MS, () => sent() === 5 + 3 * round);
        expect(sent()).toBe(5 + 3 * round);
      }
      const opened = ward.notices.filter((notice) => notice === 'breaker open').length;
      expect(opened).toBeLessThanOrEqual(3);
      // what comes behind it for the same person waits
      expect(await ward.store.outbox.counts()).toMatchObject({ parked: 0 });
      expect(copiesOf(ward.receiver, 'w-1-later')).toEqual([]);
      expect(copiesOf(ward.receiver, 'w-1').length).toBeLessThanOrEqual(1);
    },
    20_000,
  );

  it('and refuses for good is parked once; what hangs on it waits, and goes after a retry', async () => {
    ward = await openWard({ faults: [{ do: 'answer', status: 422, bodyHas: holding(1) }] });
    await takeMany(1);
    await take(ward.store, [{ ...weightOf(1), digits: '81.0' }]);
    await takeMany(3, 2);
    const worker = ward.forward();
    await ward.untilEvents(4);
    expect(ward.events.filter((event) => event.startsWith('parked'))).toEqual(['parked 1']);
    expect(await ward.store.outbox.counts()).toMatchObject({ waiting: 0, parked: 2 });
    expect(await ward.store.outbox.retry(1, ward.clock.nowMs())).toBe(true);
    worker.wake();
    await ward.untilEvents(6);
    expect(await ward.store.outbox.retry(1, ward.clock.nowMs())).toBe(false);
    worker.wake();
    await settled();
    expect(sent()).toBe(5);
    expect(copiesOf(ward.receiver, 'w-1')).toEqual([expect.stringContaining('"value":81.0')]);
  });
});
