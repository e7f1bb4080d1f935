/**
 * After a restore: which copy at the EHR is taken for a reading that comes again under another id of
 * ours and another identifier of its gateway, and which is not. A wrong yes overwrites a right weight,
 * a wrong no doubles one.
 */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { Memory } from '../../examples/receiver/memory.ts';
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { OURS } from '../../src/core/terminology.ts';
import { NOON, observationText, openWard, take, type InventedReading, type Ward } from './ward.ts';

const again: InventedReading = { of: 'weight', id: 'again-1', sentAs: 'g-2', digits: '70.0' };
const lost: InventedReading = { ...again, id: 'lost-1', sentAs: 'g-1' };

let memory: Memory;
let ward: Ward;
beforeEach(async () => {
  memory = new Memory();
  ward = await openWard({ memory });
  await ward.store.outbox.distrust(NOON);
});
afterEach(() => ward.close());

/** What the EHR holds from the time that was lost. */
function atEhr(reading: InventedReading, changed: (content: JsonObject) => JsonObject = (content) => content): void {
  const parsed = parseExactJson(observationText(reading));
  if (!parsed.ok || !isJsonObject(parsed.value)) throw new TypeError('no Observation');
  memory.put('Observation', changed(parsed.value));
}

async function send(...items: readonly (readonly [InventedReading, ...InventedReading[]])[]): Promise<void> {
  for (const readings of items) await take(ward.store, readings);
  ward.forward();
  await ward.untilEvents(items.length);
}

const copies = (): number => memory.all('Observation').length;

describe('a copy at the EHR is taken for a reading that comes again', () => {
  test('when person, measure, instant, device and value are the same', async () => {
    atEhr(lost);
    await send([again]);
    expect([ward.events, copies()]).toEqual([['sent 1'], 1]);
  });

  type Case = readonly [what: string, there: InventedReading, comes: InventedReading, changed?: (content: JsonObject) => JsonObject];
  const others: readonly Case[] = [
    ['that has another value', { ...lost, digits: '70.1' }, again],
    ['of another measure', { ...lost, of: 'height' }, again],
    ['of another person', { ...lost, person: 'Patient/lantern-2' }, again],
    ['from another scale', { ...lost, device: 'Device/scale-8' }, again],
    ['when only the day is known', { ...lost, at: '2026-03-02' }, { ...again, at: '2026-03-02' }],
    ['of another instant', { ...lost, at: '2026-03-02T11:31:00+01:00' }, again],
    ['which is of another system, since no identifier of ours is in it', lost, again, ({ identifier: _ours, ...rest }) => rest],
  ];
  test.for(others)('but none %s', async ([_what, there, comes, changed]) => {
    atEhr(there, changed);
    await send([comes]);
    expect([ward.events, copies()]).toEqual([['sent 1'], 2]);
  });

  test('but two that say the same stop it: somebody has to look', async () => {
    atEhr(lost);
    atEhr({ ...lost, id: 'lost-2', sentAs: 'g-3' });
    await send([again]);
    expect([ward.events, copies()]).toEqual([['parked 1'], 2]);
    expect((await ward.item(1)).reason).toBe('the EHR holds several resources of one press (Observation)');
  });

  test('but not when the EHR tells only part of what it holds of that instant', async () => {
    for (let number = 0; number < 25; number += 1) atEhr({ ...lost, id: `lost-${number}`, sentAs: `other-${number}`, digits: '60.0' });
    atEhr(lost);
    await send([again]);
    expect([ward.events, copies()]).toEqual([['parked 1'], 26]);
  });

  test('but not at an EHR that does not serve such a search: there it is sent', async () => {
    atEhr(lost);
    ward.receiver.fail({ do: 'answer', on: 'search', bodyHas: 'subject=', status: 400 });
    await send([again]);
    expect([ward.events, copies()]).toEqual([['sent 1'], 2]);
  });

  test('and one that cannot be asked now is asked later', async () => {
    atEhr(lost);
    ward.receiver.fail({ do: 'answer', on: 'search', bodyHas: 'subject=', status: 503 });
    await send([again]);
    expect([ward.events, copies()]).toEqual([['postponed 1 transient'], 1]);
  });
});

describe('a figure of a reading that comes again', () => {
  const bmiOf = (reading: InventedReading, digits: string): InventedReading => ({
    of: 'bmi',
    id: `bmi-${reading.id}`,
    sentAs: '',
    digits,
    derivedFrom: [`Observation/${reading.id}`],
  });

  /** The copy was adopted once before, so that it bears an identifier of ours that is past. */
  const withFormer = (content: JsonObject): JsonObject => ({
    ...content,
    identifier: [
      { system: 'urn:gateway', value: 'g-1' },
      { use: 'old', system: OURS.observationIdentifier, value: 'lost-0' },
      { system: OURS.observationIdentifier, value: 'lost-1' },
    ],
  });

  test('is found by any id that its reading had', async () => {
    atEhr(lost, withFormer);
    atEhr(bmiOf({ ...lost, id: 'lost-0' }, '27.3'));
    await send([again, bmiOf(again, '27.3')]);
    expect([ward.events, copies()]).toEqual([['sent 1'], 2]);
  });

  test('stops when there are several of them', async () => {
    atEhr(lost, withFormer);
    for (const id of ['lost-0', 'lost-1']) atEhr(bmiOf({ ...lost, id }, '27.3'));
    await send([again, bmiOf(again, '27.3')]);
    expect([ward.events, copies()]).toEqual([['parked 1'], 3]);
    expect((await ward.item(1)).reason).toBe('the EHR holds several resources of former identifiers of ours (Observation)');
  });

  test('is not taken for one of another reading that has the same value', async () => {
    atEhr(bmiOf({ ...lost, id: 'lost-9' }, '27.3'));
    await send([again, bmiOf(again, '27.3')]);
    expect([ward.events, copies()]).toEqual([['sent 1'], 3]);
  });
});
