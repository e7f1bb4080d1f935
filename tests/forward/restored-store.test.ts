/**
 * A store that was put back from a backup, and an EHR that knows what came after it. Two wards share
 * one EHR: the first is the time that was lost, the second the restored store.
 */
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { Memory } from '../../examples/receiver/memory.ts';
import { copiesOf, MARKER, NOON, openWard, take, type InventedReading, type Ward } from './ward.ts';

/** `id` is our own and random; the gateway's identifier is made of `sentAs` and stays what it is. */
const lostWeight: InventedReading = { of: 'weight', id: 'lost-1', sentAs: 'g-1', digits: '70.0' };
const weight: InventedReading = { ...lostWeight, id: 'again-1' };
const bmiOf = (reading: InventedReading, digits = '27.3'): InventedReading => ({
  of: 'bmi',
  id: `bmi-${reading.id}`,
  sentAs: '',
  digits,
  derivedFrom: [`Observation/${reading.id}`],
});

let memory: Memory;
let before: Ward;
let ward: Ward;
beforeEach(async () => {
  memory = new Memory();
  before = await openWard({ memory });
  ward = await openWard({ memory });
  await ward.store.outbox.distrust(NOON);
});
afterEach(async () => {
  await before.close();
  await ward.close();
});

async function send(to: Ward, ...items: readonly (readonly [InventedReading, ...InventedReading[]])[]): Promise<void> {
  for (const readings of items) await take(to.store, readings);
  to.forward();
  await to.untilEvents(items.length);
}

const observations = (): readonly string[] =>
  memory
    .all('Observation')
    .map(({ text }) => /"valueQuantity":\{"value":([\d.]+)/.exec(text)?.[1] ?? '')
    .toSorted();
const versionsOf = (value: string): number =>
  memory.all('Observation').find(({ text }) => text.includes(`"value":${value},`))?.version ?? 0;

describe('what the backup calls unsent and was sent since', () => {
  it('is found by our identifier, and not sent again', async () => {
    await send(before, [lostWeight, bmiOf(lostWeight)]);
    await send(ward, [lostWeight, bmiOf(lostWeight)]);
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.receiver.bundles()).toEqual([]);
    expect(observations()).toEqual(['27.3', '70.0']);
  });

  it('is sent when the EHR has it not', async () => {
    await send(ward, [lostWeight, bmiOf(lostWeight)]);
    expect(ward.events).toEqual(['sent 1']);
    expect(observations()).toEqual(['27.3', '70.0']);
  });

  it('is in order too when a correction was sent since that the backup has', async () => {
    const corrected: InventedReading = { ...lostWeight, digits: '71.0', status: 'amended' };
    await send(before, [lostWeight], [corrected]);
    await send(ward, [lostWeight], [corrected]);
    expect(ward.events).toEqual(['sent 1', 'sent 2']);
    expect(ward.receiver.bundles()).toEqual([]);
    expect(versionsOf('71.0')).toBe(2);
  });

  it('and was corrected since is not overwritten: somebody has to look', async () => {
    await send(before, [lostWeight], [{ ...lostWeight, digits: '71.0', status: 'amended' }]);
    await send(ward, [lostWeight]);
    expect(ward.events).toEqual(['parked 1']);
    expect((await ward.item(1)).reason).toContain('a version of this reading that the restored store does not know');
    expect(observations()).toEqual(['71.0']);
    expect(versionsOf('71.0')).toBe(2);
  });
});

describe('a correction after the restore', () => {
  it('goes over a version that the store knows', async () => {
    await send(before, [lostWeight]);
    await send(ward, [lostWeight], [{ ...lostWeight, digits: '72.0', status: 'amended' }]);
    expect(ward.events).toEqual(['sent 1', 'sent 2']);
    expect(observations()).toEqual(['72.0']);
    expect(ward.receiver.bundles()[0]).toContain('"ifMatch":"W/\\"1\\""');
  });

  it('goes over none that it does not know, though its place is known from the backup', async () => {
    await send(ward, [lostWeight]);
    const place = await ward.store.outbox.copyOf('Observation', 'lost-1');
    // the lost time: the same store sent another correction, of which nothing is left
    await take(before.store, [lostWeight]);
    await before.store.outbox.markSent(1, place === undefined ? [] : [place]);
    await take(before.store, [{ ...lostWeight, digits: '71.0', status: 'amended' }]);
    before.forward();
    await before.untilEvents(1);
    expect(observations()).toEqual(['71.0']);
    await take(ward.store, [{ ...lostWeight, digits: '72.0', status: 'amended' }]);
    ward.forward();
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['sent 1', 'parked 2']);
    expect(observations()).toEqual(['71.0']);
  });

  it('is not sent over what changes between the look and the send', async () => {
    await send(before, [lostWeight]);
    await take(ward.store, [lostWeight]);
    await take(ward.store, [{ ...lostWeight, digits: '72.0', status: 'amended' }]);
    ward.receiver.fail({
      do: 'alter',
      bodyHas: '"value":72.0',
      alter: (body) => body.replace('"ifMatch":"W/\\"1\\""', '"ifMatch":"W/\\"0\\""'),
    });
    const worker = ward.forward();
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['sent 1', 'postponed 2 conflict']);
    ward.clock.advance(60_000);
    worker.wake();
    await ward.untilEvents(3);
    expect(ward.events[2]).toBe('sent 2');
    expect(observations()).toEqual(['72.0']);
  });
});

describe('a reading that its gateway sends again, since the store has lost it', () => {
  it('has another id of ours, and is found by what its gateway calls it', async () => {
    await send(before, [lostWeight]);
    await send(ward, [weight]);
    expect(ward.events).toEqual(['sent 1']);
    expect(observations()).toEqual(['70.0']);
    expect(versionsOf('70.0')).toBe(1);
    expect(await ward.store.outbox.copyOf('Observation', 'again-1')).toMatchObject({
      reference: expect.stringMatching(/^Observation\/\d+$/) as string,
    });
  });

  it('and that another gateway heard too is found by person, measure, instant, device and value', async () => {
    await send(before, [lostWeight, bmiOf(lostWeight)]);
    await send(ward, [{ ...weight, sentAs: 'g-1-heard-too' }, bmiOf(weight)]);
    expect(ward.events).toEqual(['sent 1']);
    expect(observations()).toEqual(['27.3', '70.0']);
  });

  it('is not taken for one that this store knows, though that says the same', async () => {
    await send(ward, [lostWeight], [{ ...weight, sentAs: 'g-2' }]);
    expect(ward.events).toEqual(['sent 1', 'sent 2']);
    expect(observations()).toEqual(['70.0', '70.0']);
  });

  it('brings no second BMI either, in its own item or in a later one', async () => {
    await send(before, [lostWeight, bmiOf(lostWeight)]);
    await send(ward, [weight], [bmiOf(weight)]);
    expect(ward.events).toEqual(['sent 1', 'sent 2']);
    expect(observations()).toEqual(['27.3', '70.0']);
    await send(ward, [{ ...weight, id: 'again-2', sentAs: 'g-2', digits: '75.0' }, bmiOf({ ...weight, id: 'again-2' }, '29.3')]);
    await ward.untilEvents(3);
    expect(observations()).toEqual(['27.3', '29.3', '70.0', '75.0']);
  });

  it('brings its BMI along in one item', async () => {
    await send(before, [lostWeight, bmiOf(lostWeight)]);
    await send(ward, [weight, bmiOf(weight)]);
    expect(ward.events).toEqual(['sent 1']);
    expect(observations()).toEqual(['27.3', '70.0']);
  });

  it('and whose copy says something else stops, and overwrites nothing', async () => {
    await send(before, [lostWeight], [{ ...lostWeight, digits: '71.0', status: 'amended' }]);
    await send(ward, [weight]);
    expect(ward.events).toEqual(['parked 1']);
    expect(observations()).toEqual(['71.0']);
  });

  it('brings no second BMI when it was corrected in place before the BMI came', async () => {
    await send(before, [lostWeight, bmiOf(lostWeight)]);
    await send(ward, [weight], [{ ...weight, digits: '72.0', status: 'amended' }]);
    await send(ward, [bmiOf(weight)]);
    await ward.untilEvents(3);
    expect(ward.events).toEqual(['sent 1', 'sent 2', 'sent 3']);
    expect(observations()).toEqual(['27.3', '72.0']);
    expect(copiesOf(ward.receiver, 'again-1')).toHaveLength(1);
    expect(copiesOf(ward.receiver, 'lost-1')).toHaveLength(1);
  });

  it('is corrected in place afterwards', async () => {
    await send(before, [lostWeight]);
    await send(ward, [weight], [{ ...weight, digits: '72.0', status: 'amended' }]);
    expect(ward.events).toEqual(['sent 1', 'sent 2']);
    expect(observations()).toEqual(['72.0']);
    expect(copiesOf(ward.receiver, 'again-1')).toHaveLength(1);
  });

  it('is not taken for another measure under the same identifier', async () => {
    await send(before, [{ ...lostWeight, of: 'height', digits: '160.0' }]);
    await send(ward, [weight]);
    expect(observations()).toEqual(['160.0', '70.0']);
  });

  it('stops when the EHR holds two of that identifier', async () => {
    await send(before, [lostWeight], [{ ...lostWeight, id: 'lost-2', person: 'Patient/lantern-1' }]);
    await send(ward, [weight]);
    expect(ward.events).toEqual(['parked 1']);
    expect((await ward.item(1)).reason).toBe('the EHR holds several resources of one identifier of the sender (Observation)');
  });

  it('is asked for in no URL that says what its gateway calls it', async () => {
    await send(before, [lostWeight]);
    await send(ward, [weight]);
    const asked = ward.receiver.requests().map(({ method, url }) => `${method} ${url}`);
    expect(asked).toContain('POST /fhir/Observation/_search');
    expect(JSON.stringify([asked, ward.logged])).not.toContain(MARKER);
  });

  it('a week later is a new one, as from any sender', async () => {
    await send(before, [lostWeight]);
    await take(ward.store, [weight], NOON + 7 * 86_400_000);
    ward.clock.advance(8 * 86_400_000);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.receiver.requests().map(({ url }) => url)).toEqual(['/fhir']);
  });
});
