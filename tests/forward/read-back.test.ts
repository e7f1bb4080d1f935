import { afterEach, describe, expect, it } from 'vitest';
import type { Fault } from '../../examples/receiver/faults.ts';
import { ReadBack } from '../../src/forward/read-back.ts';
import type { EhrReply } from '../../src/forward/ehr-client.ts';
import { copiesOf, MARKER, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.04' };
const all = { readBackPercent: 100 };

let ward: Ward;
afterEach(() => ward.close());

const altering = (from: string | RegExp, to: string): Fault => ({ do: 'alter', alter: (body) => body.replace(from, to) });

describe('what was sent is read again', () => {
  it('and all is well when it is there as it was sent', async () => {
    ward = await openWard();
    await take(ward.store, [weight]);
    ward.forward(all);
    await ward.untilNotice('read-back same');
    expect(ward.notices).toEqual(['read-back same']);
    expect(ward.receiver.requests().map(({ method, url }) => `${method} ${url}`)).toEqual(['POST /fhir', 'GET /fhir/Observation/1001']);
    expect(ward.receiver.requests()[1]?.headers['x-request-id']).toBe('outbox-1-1-read');
  });

  it.each([
    ['rounds to one decimal', '70.04', '70.0', 'value'],
    [
      'turns kilograms into pounds',
      '"system":"http://unitsofmeasure.org","code":"kg"',
      '"system":"http://unitsofmeasure.org","code":"[lb_av]"',
      'unit',
    ],
    ['files it for somebody else', '"subject":{"reference":"Patient/lantern-1"', '"subject":{"reference":"Patient/lantern-2"', 'subject'],
    ['drops the offset', '2026-03-02T11:30:00+01:00', '2026-03-02T11:30:00Z', 'effective'],
    ['makes it preliminary', '"status":"final"', '"status":"preliminary"', 'status'],
    ['drops our identifier', /,\{"system":"https:\/\/steelyard[^}]*\}/, '', 'identifier'],
  ])('and an EHR that %s is told on, without a value, and not corrected', async (_what, from, to, element) => {
    ward = await openWard({ faults: [altering(from, to)] });
    await take(ward.store, [weight]);
    ward.forward(all);
    await ward.untilNotice('read-back differs');
    expect(ward.events).toEqual(['sent 1']);
    expect(ward.notices).toEqual([`altered 1 ${element}`, 'read-back differs']);
    expect(ward.logged.filter(({ level }) => level === 'error')).toEqual([
      { level: 'error', fields: { item: 1, tries: 1, elements: [element] }, message: 'read-back differs' },
    ]);
    expect(await ward.item(1)).toMatchObject({ state: 'sent', reason: `the EHR keeps it otherwise than it was sent: ${element}` });
    expect(JSON.stringify(ward.logged)).not.toContain(MARKER);
    expect(ward.receiver.bundles()).toHaveLength(1);
  });

  it('and nothing is said of a copy that a later version may have gone over', async () => {
    ward = await openWard({ faults: [altering('70.04', '70.0')] });
    await take(ward.store, [weight]);
    await take(ward.store, [{ ...weight, digits: '71.00' }]);
    ward.forward(all);
    await ward.untilNotice('read-back same');
    expect(ward.notices).toEqual(['read-back unread', 'read-back same']);
    expect(copiesOf(ward.receiver, 'w-1')).toEqual([expect.stringContaining('"value":71.00')]);
  });

  it('as often as the share says', async () => {
    ward = await openWard();
    for (let n = 1; n <= 20; n += 1) await take(ward.store, [{ ...weight, id: `w-${n}`, person: `Patient/lantern-${n}` }]);
    let dice = 0;
    ward.forward({ readBackPercent: 10, random: () => ((dice += 1) % 20) / 20 });
    await ward.untilEvents(20);
    await ward.untilNotice('read-back same', 2);
    expect(ward.notices).toEqual(['read-back same', 'read-back same']);
  });

  it('but not at all when the share is none', async () => {
    ward = await openWard();
    await take(ward.store, [weight]);
    const worker = ward.forward({ readBackPercent: 0, random: () => 0 });
    await ward.untilEvents(1);
    await worker.stop();
    expect(ward.receiver.requests()).toHaveLength(1);
  });
});

describe('reading again', () => {
  /** Of an EHR that answers reads as it is told, when it is told. */
  async function readBackOf(read: () => Promise<EhrReply>, mayAsk = true) {
    ward = await openWard();
    const results: string[] = [];
    const silent = (): undefined => undefined;
    const readBack = new ReadBack({
      ehr: { timeoutMs: 1_000, read, postBundle: read, search: read, searchByForm: read },
      outbox: ward.store.outbox,
      read: ward.store.read,
      log: { debug: silent, info: silent, warn: silent, error: silent },
      events: { readBack: (result) => void results.push(result) },
      random: () => 0,
      percent: 1,
      mayAsk: () => mayAsk,
    });
    await take(ward.store, [weight]);
    const note = async (): Promise<void> =>
      readBack.note(await ward.item(1), [{ type: 'Observation', id: 'w-1', reference: 'Observation/7', version: 1 }]);
    return { readBack, results, note };
  }

  it.each<readonly [string, EhrReply]>([
    ['404', { kind: 'answer', status: 404 }],
    ['401', { kind: 'answer', status: 401 }],
    ['a page', { kind: 'answer', status: 200, text: '<html></html>' }],
    ['another resource', { kind: 'answer', status: 200, text: '{"resourceType":"Observation","id":"8"}' }],
    ['nothing', { kind: 'unclear', cause: 'TimeoutError' }],
  ])('says nothing of an EHR that answers %s', async (_what, reply) => {
    const { readBack, results, note } = await readBackOf(() => Promise.resolve(reply));
    await note();
    while (results.length === 0) await new Promise((resolve) => setImmediate(resolve));
    expect(results).toEqual(['unread']);
    await readBack.stop();
  });

  it('asks nothing while the EHR is in trouble', async () => {
    let calls = 0;
    const { readBack, results, note } = await readBackOf(() => Promise.resolve({ kind: 'unsent', cause: String((calls += 1)) }), false);
    await note();
    while (results.length === 0) await new Promise((resolve) => setImmediate(resolve));
    expect([results, calls]).toEqual([['unread'], 0]);
    await readBack.stop();
  });

  it('is one at a time, and its list does not grow beyond a hundred', async () => {
    let answer: (reply: EhrReply) => void = () => undefined;
    let calls = 0;
    const { readBack, results, note } = await readBackOf(() => {
      calls += 1;
      return new Promise((resolve) => (answer = resolve));
    });
    for (let n = 0; n < 150; n += 1) await note();
    expect(calls).toBe(1);
    expect(results).toEqual(Array.from({ length: 49 }, () => 'unread'));
    const stopped = readBack.stop();
    answer({ kind: 'unclear', cause: 'AbortError' });
    await stopped;
    expect(calls).toBe(1);
  });
});
