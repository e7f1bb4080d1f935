/** What was on its way to the EHR when it asked, in an answer to something else, to be left alone for a while. */
import { afterEach, describe, expect, it } from 'vitest';
import { gate, watched } from './gates.ts';
import { copiesOf, MARKER, NOON, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weightOf = (n: number): InventedReading => ({ of: 'weight', id: `w-${n}`, digits: '80.0', person: `Patient/lantern-${n}` });
const MINUTE_MS = 60_000;

let ward: Ward;
afterEach(() => ward.close());

const asksForAMinute = [429, 503].map((status) => [status, { do: 'answer', status, headers: { 'retry-after': '60' } }] as const);

async function untilGivenBack(number: number): Promise<void> {
  await expect.poll(async () => (await ward.item(number)).reason, { timeout: 20_000 }).toBe('the EHR is left alone for a while');
  expect(await ward.item(number)).toMatchObject({ state: 'waiting', dueMs: NOON + MINUTE_MS });
}

/** Both get there once the pause is over, and none twice. */
async function untilBothAreSent(worker: { wake(): void }): Promise<void> {
  await expect
    .poll(
      () => {
        // a minute is a lease: stepped under an attempt, the clock would take the item away from it
        if (!ward.isBusy()) ward.clock.advance(MINUTE_MS);
        worker.wake();
        return ward.events.toSorted();
      },
      { timeout: 20_000 },
    )
    .toEqual([expect.stringMatching(/^postponed \d transient$/), 'sent 1', 'sent 2']);
  for (const n of [1, 2]) expect(copiesOf(ward.receiver, `w-${n}`)).toHaveLength(1);
}

describe.each(asksForAMinute)('a %i with Retry-After', (_status, fault) => {
  it('holds for an item that was just being claimed: it is given back and begins no probe', async () => {
    ward = await openWard({ faults: [fault] });
    const claiming = gate();
    let claims = 0;
    const outbox = watched(ward.store.outbox, 'claim', () => ((claims += 1) === 2 ? claiming.pass() : Promise.resolve()));
    await take(ward.store, [weightOf(1)]);
    const worker = ward.forward({ outbox });
    await claiming.isReached;
    await take(ward.store, [weightOf(2)]);
    await ward.untilEvents(1);
    claiming.open();
    await untilGivenBack(2);
    expect(ward.receiver.bundles()).toHaveLength(1);
    await untilBothAreSent(worker);
  });

  it('holds for an item that was just being gathered: it is not sent', async () => {
    ward = await openWard({ faults: [fault] });
    await take(ward.store, [weightOf(1)]);
    await take(ward.store, [weightOf(2)]);
    const asking = gate();
    let asked = 0;
    const worker = ward.forward({
      outbox: watched(ward.store.outbox, 'holds', () => ((asked += 1) === 2 ? asking.pass() : Promise.resolve())),
    });
    await asking.isReached;
    await ward.untilEvents(1);
    asking.open();
    const late = ward.events[0] === 'postponed 1 transient' ? 2 : 1;
    await untilGivenBack(late);
    expect(ward.receiver.bundles()).toHaveLength(1);
    expect(JSON.stringify(ward.logged)).not.toContain(MARKER);
    await untilBothAreSent(worker);
  });
});
