import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterEach, describe, expect, it } from 'vitest';
import type { Fault, SpoiltAnswer } from '../../examples/receiver/faults.ts';
import { OURS } from '../../src/core/terminology.ts';
import { copiesOf, NOON, observationText, openWard, take, type InventedReading, type Ward } from './ward.ts';

const weight: InventedReading = { of: 'weight', id: 'w-1', digits: '70.0' };
const other = (n: number): InventedReading => ({ of: 'weight', id: `w-9${n}`, digits: '80.0', person: `Patient/lantern-9${n}` });
const MINUTE_MS = 60_000;

let ward: Ward;
afterEach(() => ward.close());

function searches(): number {
  return ward.receiver.requests().filter(({ method }) => method === 'GET').length;
}

describe('an answer that leaves open whether the EHR applied it', () => {
  const spoilt: readonly (readonly [string, SpoiltAnswer])[] = [
    ['500', { spoil: 'replace', status: 500 }],
    ['502 from a proxy', { spoil: 'replace', status: 502, headers: { 'content-type': 'text/html' }, body: '<html>Bad gateway</html>' }],
    ['504', { spoil: 'replace', status: 504 }],
    ['a reset', { spoil: 'reset' }],
    ['a body that breaks off', { spoil: 'truncate' }],
    ['no answer in time', { spoil: 'hang' }],
    ['a page with 200', { spoil: 'replace', status: 200, headers: { 'content-type': 'text/html' }, body: '<html>Welcome</html>' }],
    ['an empty 201', { spoil: 'replace', status: 201 }],
    ['entries in another order', { spoil: 'reverse-entries' }],
    ['an entry less', { spoil: 'drop-entry' }],
  ];

  it.each(spoilt)('%s: is looked up, and exactly one copy is left', async (_title, then) => {
    ward = await openWard({ faults: [{ do: 'apply-then', then }] });
    await take(ward.store, [weight]);
    const worker = ward.forward({ timeoutMs: 300 });
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['postponed 1 unclear']);
    expect(searches()).toBe(0);
    ward.clock.advance(MINUTE_MS);
    worker.wake();
    await ward.untilEvents(2);
    expect(ward.events[1]).toBe('sent 1');
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
    expect(ward.receiver.resources()).toHaveLength(2);
    expect(ward.receiver.bundles()).toHaveLength(1);
    expect(await ward.store.outbox.copyOf('Observation', 'w-1')).toMatchObject({
      reference: expect.stringMatching(/^Observation\/\d+$/) as string,
      version: 1,
    });
  });

  it('sends again what the look-up does not find', async () => {
    ward = await openWard({ faults: [{ do: 'answer', status: 500 }, { do: 'reset' }] });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    for (let tries = 1; tries <= 2; tries += 1) {
      await ward.untilEvents(tries);
      ward.clock.advance(MINUTE_MS);
      worker.wake();
    }
    await ward.untilEvents(3);
    expect(ward.events).toEqual(['postponed 1 unclear', 'postponed 1 unclear', 'sent 1']);
    expect(ward.receiver.bundles()).toHaveLength(3);
    expect(copiesOf(ward.receiver, 'w-1')).toHaveLength(1);
  });

  it('of a correction leaves one resource with the corrected value', async () => {
    ward = await openWard();
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    ward.receiver.fail({ do: 'apply-then', then: { spoil: 'reset' } });
    await take(ward.store, [{ ...weight, digits: '71.0' }]);
    worker.wake();
    await ward.untilEvents(2);
    ward.clock.advance(MINUTE_MS);
    worker.wake();
    await ward.untilEvents(3);
    expect(ward.events[2]).toBe('sent 2');
    expect(copiesOf(ward.receiver, 'w-1')).toEqual([expect.stringContaining('"value":71.0,')]);
  });

  it('gives a silent EHR at least one more timeout before it is asked', async () => {
    ward = await openWard({ faults: [{ do: 'apply-then', then: { spoil: 'hang' } }] });
    await take(ward.store, [weight]);
    ward.forward({ timeoutMs: 200, random: () => 0 });
    await ward.untilEvents(1);
    expect((await ward.item(1)).dueMs).toBe(NOON + 200);
  });
});

describe('a look-up', () => {
  async function afterLookUp(...faults: readonly Fault[]): Promise<void> {
    ward = await openWard({ faults: [{ do: 'answer', status: 500 }, ...faults] });
    await take(ward.store, [weight]);
    const worker = ward.forward();
    await ward.untilEvents(1);
    ward.clock.advance(MINUTE_MS);
    worker.wake();
    await ward.untilEvents(2);
  }
  const found = (...resources: readonly string[]): string =>
    `{"resourceType":"Bundle","type":"searchset","entry":[${resources.map((resource) => `{"resource":${resource}}`).join(',')}]}`;

  it.each<readonly [string, Fault]>([
    ['fails', { on: 'search', do: 'answer', status: 500 }],
    ['breaks off', { on: 'search', do: 'reset' }],
    ['is no searchset', { on: 'search', do: 'answer', status: 200, body: '<html></html>' }],
    ['returns what was not asked for', { on: 'search', do: 'answer', status: 200, body: found(observationText({ ...weight, id: 'w-7' })) }],
  ])('that %s sends nothing', async (_title, fault) => {
    await afterLookUp(fault);
    expect(ward.events[1]).toBe('postponed 1 unclear');
    expect(ward.receiver.bundles()).toHaveLength(1);
  });

  it('that the EHR refuses is a fault of the destination, never of the item', async () => {
    await afterLookUp({ on: 'search', do: 'answer', status: 400 });
    expect(ward.events[1]).toBe('postponed 1 destination');
  });

  it('that finds two copies stops: the item is parked for a person to see', async () => {
    const twice = observationText(weight);
    await afterLookUp({ on: 'search', do: 'answer', status: 200, body: found(twice, twice.replace('"id":"w-1"', '"id":"w-1-again"')) });
    expect(ward.events[1]).toBe('parked 1');
    expect((await ward.item(1)).reason).toBe('the EHR holds several resources of one identifier of ours (Observation)');
  });

  it('comes before every send when a store was restored from a backup', async () => {
    ward = await openWard();
    await take(ward.store, [weight]);
    ward.forward({ alwaysLookUp: true });
    await ward.untilEvents(1);
    expect(ward.receiver.requests().map(({ method }) => method)).toEqual(['GET', 'GET', 'POST']);
  });
});

describe('an EHR that asks for patience', () => {
  it.each([
    [429, '120', 120_000],
    [503, 'Mon, 02 Mar 2026 12:02:00 GMT', 120_000],
    [429, '315360000', 3_600_000],
  ])('%i with Retry-After %s is left alone so long, by all', async (status, header, waitMs) => {
    ward = await openWard({ faults: [{ do: 'answer', status, headers: { 'retry-after': header } }] });
    await take(ward.store, [weight]);
    const worker = ward.forward({ parallel: 1 });
    await ward.untilEvents(1);
    expect((await ward.item(1)).dueMs).toBe(NOON + waitMs);
    await take(ward.store, [other(1)]);
    ward.clock.advance(waitMs - 1);
    worker.wake();
    await worker.stop();
    expect(ward.receiver.requests()).toHaveLength(1);
    ward.clock.advance(1);
    ward.forward();
    await ward.untilEvents(3);
    expect(ward.events.slice(1).toSorted()).toEqual(['sent 1', 'sent 2']);
  });

  it.each([
    [429, 'soon'],
    [408, undefined],
    [425, undefined],
  ])('%i with Retry-After %s is tried after a backoff', async (status, header) => {
    ward = await openWard({ faults: [{ do: 'answer', status, headers: header === undefined ? {} : { 'retry-after': header } }] });
    await take(ward.store, [weight]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['postponed 1 transient']);
    expect((await ward.item(1)).dueMs).toBe(NOON + 500);
  });
});

describe('content that the EHR refuses', () => {
  it.each([400, 410, 413, 415, 422])('%i is parked once, with status and issue codes, and others go on', async (status) => {
    const body = '{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"required"}]}';
    ward = await openWard({ faults: [{ do: 'answer', status, body }] });
    await take(ward.store, [weight]);
    await take(ward.store, [other(1)]);
    ward.forward({ parallel: 1 });
    await ward.untilEvents(2);
    expect(ward.events).toEqual(['parked 1', 'sent 2']);
    expect(await ward.item(1)).toMatchObject({
      state: 'parked',
      reason: `the EHR refuses the content (status ${status}, issues required)`,
    });
    expect(ward.logged.filter(({ level }) => level === 'warn')).toMatchObject([{ fields: { item: 1, status, issueCodes: ['required'] } }]);
  });
});

describe('an EHR that cannot be used', () => {
  it.each([401, 403, 404, 405, 501])('%i parks nothing, is said once, and is probed by one item at a time', async (status) => {
    const fault: Fault = { do: 'answer', status };
    ward = await openWard({ faults: [fault, fault, fault] });
    for (let n = 1; n <= 6; n += 1) await take(ward.store, [other(n)]);
    const worker = ward.forward({ parallel: 2 });
    await ward.untilEvents(2);
    expect(ward.receiver.bundles()).toHaveLength(2);
    ward.clock.advance(MINUTE_MS);
    worker.wake();
    await ward.untilEvents(3);
    expect(ward.receiver.bundles()).toHaveLength(3);
    expect(await ward.store.outbox.counts()).toMatchObject({ waiting: 6, parked: 0 });
    expect(ward.logged.filter(({ level }) => level === 'error')).toMatchObject([{ fields: { status, kind: 'destination' } }]);

    ward.clock.advance(10 * MINUTE_MS);
    worker.wake();
    await ward.untilEvents(9);
    expect(await ward.store.outbox.counts()).toMatchObject({ waiting: 0, parked: 0 });
    expect(ward.logged.filter(({ message }) => message === 'the EHR takes readings again')).toHaveLength(1);
  });

  it('because nothing listens there costs nothing but time', async () => {
    ward = await openWard();
    const silent = createServer().listen(0, '127.0.0.1');
    await new Promise((resolve) => silent.once('listening', resolve));
    const { port } = silent.address() as AddressInfo;
    await new Promise((resolve) => silent.close(resolve));
    await take(ward.store, [weight]);
    ward.forward({ url: `http://127.0.0.1:${port}/fhir` });
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['postponed 1 unsent']);
    expect(await ward.item(1)).toMatchObject({ state: 'waiting', dueMs: NOON + 500, reason: 'the EHR was not reached (ECONNREFUSED)' });
  });

  it.each([301, 302, 307, 308])('because it redirects (%i) is never followed', async (status) => {
    const strays: string[] = [];
    const elsewhere = createServer((request, response) => {
      strays.push(request.url ?? '');
      response.end();
    }).listen(0, '127.0.0.1');
    await new Promise((resolve) => elsewhere.once('listening', resolve));
    const { port } = elsewhere.address() as AddressInfo;
    ward = await openWard({ faults: [{ do: 'answer', status, headers: { location: `http://127.0.0.1:${port}/fhir` } }] });
    await take(ward.store, [weight]);
    ward.forward();
    await ward.untilEvents(1);
    expect(ward.events).toEqual(['postponed 1 destination']);
    expect(strays).toEqual([]);
    await new Promise((resolve) => elsewhere.close(resolve));
  });

  it('for one item only (503 to it, always) does not keep the others waiting', async () => {
    ward = await openWard({ faults: [{ do: 'answer', status: 503, bodyHas: '"value":"w-1"', isLasting: true }] });
    await take(ward.store, [weight]);
    for (let n = 1; n <= 3; n += 1) await take(ward.store, [other(n)]);
    const worker = ward.forward({ parallel: 1 });
    // a probe is made with an item that did not fail, and what it fails at after that is its own trouble
    for (const [events, ms] of [
      [1, 500],
      [3, 1_000],
      [5, 1_000],
    ] as const) {
      await ward.untilEvents(events);
      ward.clock.advance(ms);
      worker.wake();
    }
    await ward.untilEvents(6);
    expect(ward.events.slice(0, 2)).toEqual(['postponed 1 transient', 'sent 2']);
    expect(ward.events.filter((event) => event.startsWith('sent'))).toEqual(['sent 2', 'sent 3', 'sent 4']);
  });
});

it('makes one copy at a receiver whose conditional create races, with two workers on one store', async () => {
  ward = await openWard({ racyMs: 20 });
  for (let n = 0; n < 10; n += 1) await take(ward.store, [other(n)]);
  ward.forward();
  ward.forward();
  await ward.untilEvents(10);
  for (let n = 0; n < 10; n += 1) expect(copiesOf(ward.receiver, `w-9${n}`)).toHaveLength(1);
  expect(ward.receiver.bundles()).toHaveLength(10);
});

it('parks an item whose resource the store does not hold, and goes on', async () => {
  ward = await openWard();
  await ward.store.write((tx) =>
    tx.enqueue({
      person: 'Patient/1',
      resources: [{ type: 'Observation', id: 'gone', version: 3 }],
      concerns: ['gone'],
      queuedAt: new Date(NOON).toISOString(),
    }),
  );
  await take(ward.store, [weight]);
  ward.forward({ parallel: 1 });
  await ward.untilEvents(2);
  expect(ward.events).toEqual(['parked 1', 'sent 2']);
  expect((await ward.item(1)).reason).toBe('the store cannot give Observation/gone version 3');
  expect(ward.receiver.resources().filter(({ text }) => text.includes(OURS.observationIdentifier))).toHaveLength(1);
});
