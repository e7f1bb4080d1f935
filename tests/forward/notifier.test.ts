/** The notifier on real stores and real sockets, against a subscriber that fails in every way. */
import fc from 'fast-check';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { Notifier, type NotifierOptions } from '../../src/forward/notifier.ts';
import { SubscriberClient } from '../../src/forward/subscriber.ts';
import type { Store } from '../../src/ports.ts';
import { openForTest, SetClock, STORE_FACTORIES, type StoreFactory } from '../contract/store-factories.ts';
import { putWeight, search } from '../contract/store-samples.ts';
import { eventsIn, SubscriberStub, type Mood } from './subscriber-stub.ts';

const [sqlite, postgresql] = STORE_FACTORIES as [StoreFactory, StoreFactory];
const BASE = 'http://scales.harbourlight.example/fhir';

let stub: SubscriberStub;
let clients: SubscriberClient[];
let running: Notifier[];
beforeEach(async () => {
  [stub, clients, running] = [await SubscriberStub.start(), [], []];
});
afterEach(async () => {
  for (const notifier of running) await notifier.stop(0);
  for (const client of clients) await client.close();
  await stub.stop();
});

/** Time goes on by itself, so that whoever is to wait is due at the next look. */
function notifierOn(store: Store, clock: SetClock, options: Partial<NotifierOptions> = {}, timeoutMs = 10_000): Notifier {
  const subscribers = new SubscriberClient({ timeoutMs });
  clients.push(subscribers);
  const notifier = new Notifier({
    subscriptions: store.subscriptions,
    subscribers,
    targets: [stub.url],
    baseUrl: BASE,
    clock: { nowMs: () => (clock.ms += 1) },
    log: { debug: () => undefined, info: () => undefined, warn: () => undefined, error: () => undefined },
    random: () => 0,
    pollMs: 5,
    eventsAtOnce: 7,
    ...options,
  });
  running.push(notifier);
  notifier.start();
  return notifier;
}

async function subscribe(
  store: Store,
  clock: SetClock,
  { endpoint = `${stub.url}/hook`, content = '', ends = {} }: { endpoint?: string; content?: string; ends?: { endsMs?: number } } = {},
): Promise<void> {
  const extension = content === '' ? {} : { _payload: { extension: [{ url: CONTENT, valueCode: content }] } };
  const channel = { type: 'rest-hook', endpoint, payload: 'application/fhir+json', ...extension };
  const text = JSON.stringify({ resourceType: 'Subscription', reason: 'for a test', criteria: 'Observation', channel });
  await store.subscriptions.add({ id: 's1', text, filter: {}, ...ends }, 9, clock.ms, { requestId: 'r1', caller: {} });
}
const CONTENT = 'http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content';

async function until(isSo: () => boolean | Promise<boolean>): Promise<void> {
  while (!(await isSo())) await new Promise((resolve) => setTimeout(resolve, 5));
}

const isDone = async (store: Store): Promise<boolean> => {
  const { behind, byState } = await store.subscriptions.figures(0);
  return behind === 0 && byState.requested === 0 && byState.error === 0;
};

function expectNoGap(numbers: readonly number[], last: number): void {
  // at least once and in order: whoever leaves out what is not new sees 1, 2, 3, …
  let seen = 0;
  for (const number of numbers) {
    expect(number).toBeLessThanOrEqual(seen + 1);
    seen = Math.max(seen, number);
  }
  expect(seen).toBe(last);
}

/** What an EHR ends up with, which keeps the version of the highest number of each Observation. */
function finalOf(focus: ReadonlyMap<number, string>): Map<string, string> {
  return new Map([...focus].sort(([a], [b]) => a - b).map(([, one]): [string, string] => one.split('/') as [string, string]));
}

describe('a subscriber', () => {
  let given: Awaited<ReturnType<typeof openForTest>>;
  beforeEach(async () => {
    given = await openForTest(sqlite);
  });
  afterEach(async () => {
    for (const notifier of running.splice(0)) await notifier.stop(0);
    await given.end();
  });

  test('is greeted before anything is told, then told with written digits, and no URL names anybody', async () => {
    await subscribe(given.store, given.clock);
    notifierOn(given.store, given.clock);
    await until(() => isDone(given.store));
    await putWeight(given.store, 'w1', {}, '70.50');
    await until(() => stub.numbers.includes(1));
    const [greeting, told] = stub.received;
    expect(greeting?.bundle.entry).toHaveLength(1);
    expect(greeting?.text).toContain('"valueCode":"handshake"');
    expect(told?.text).toContain('"value":70.50');
    expect(told?.bundle).toMatchObject({
      type: 'history',
      entry: [{ request: { url: `${BASE}/Subscription/s1/$status` } }, { fullUrl: `${BASE}/Observation/w1`, response: { etag: 'W/"1"' } }],
    });
    expect(stub.received.map(({ url }) => url)).toEqual(['/hook', '/hook']);
  });

  test.each(['fails', 'refuses', 'redirects', 'resets', 'hangs', 'takes-and-resets'] as const)(
    'that %s is told again until it takes it',
    async (mood) => {
      await subscribe(given.store, given.clock);
      notifierOn(given.store, given.clock, {}, mood === 'hangs' ? 500 : undefined);
      await until(() => isDone(given.store));
      stub.received.length = 0;
      stub.moods.push(mood, mood);
      await putWeight(given.store, 'w1');
      await until(() => isDone(given.store));
      expect(stub.received.slice(0, 3).map((one) => one.mood)).toEqual([mood, mood, 'takes']);
      expect(stub.received.every(({ url }) => url === '/hook')).toBe(true);
      expectNoGap(stub.numbers, 1);
    },
  );

  test('that does not answer the greeting is told nothing, and the Subscription says why without a word of the subscriber', async () => {
    stub.moods.push('refuses');
    await subscribe(given.store, given.clock);
    notifierOn(given.store, given.clock, { random: () => 0.05 });
    await until(async () => (await given.store.subscriptions.find('s1', 0))?.state === 'error');
    expect(await given.store.subscriptions.find('s1', 0)).toMatchObject({ error: 'The endpoint answers with status 400.' });
    await putWeight(given.store, 'w1');
    await until(() => isDone(given.store));
    expect(stub.received.map(({ bundle }) => eventsIn(bundle).length)).toEqual([0, 0, 1]);
  });

  test('that fails five times in a row is in error, and active again once it takes something', async () => {
    await subscribe(given.store, given.clock);
    notifierOn(given.store, given.clock);
    await until(() => isDone(given.store));
    const states: (string | undefined)[] = [];
    const audited = async () => (await given.store.audit.search({ subtypes: [{ value: 'not-notified' }], count: 9 })).events.length;
    stub.moods.push(...Array<Mood>(6).fill('fails'));
    await putWeight(given.store, 'w1');
    await until(async () => (await audited()) === 1);
    await until(() => isDone(given.store));
    states.push((await given.store.subscriptions.find('s1', 0))?.state);
    expect(states).toEqual(['active']);
    expect(await audited()).toBe(1);
  });

  test('is told no more under a claim than ends before its lease does', async () => {
    await subscribe(given.store, given.clock);
    for (let index = 0; index < 5; index += 1) await putWeight(given.store, `w${index}`);
    // each call takes so long that another one could outlast the lease
    const elapsedMs = (): number => stub.received.length * 55_000;
    const claimed: number[] = [];
    const claim = given.store.subscriptions.claim.bind(given.store.subscriptions);
    vi.spyOn(given.store.subscriptions, 'claim').mockImplementation(async (...asked) => {
      const found = await claim(...asked);
      claimed.push(...found.map((one) => one.claim));
      return found;
    });
    notifierOn(given.store, given.clock, { eventsAtOnce: 1, elapsedMs });
    await until(() => isDone(given.store));
    expect(stub.numbers).toEqual([1, 2, 3, 4, 5]);
    expect(claimed.length).toBeGreaterThanOrEqual(6);
  });

  test('that is being told when the service stops is not taken for one that fails', async () => {
    await subscribe(given.store, given.clock);
    const notifier = notifierOn(given.store, given.clock);
    await until(() => isDone(given.store));
    stub.moods.push('hangs');
    await putWeight(given.store, 'w1');
    await until(() => stub.received.some(({ mood }) => mood === 'hangs'));
    await notifier.stop(0);
    const [again] = await given.store.subscriptions.claim(given.clock.ms, 60_000, 1);
    expect(again).toMatchObject({ state: 'active', failures: 0, delivered: 0 });
  });

  test('whose time ends while it is told is told no more, though the lease lasts', async () => {
    const endsMs = given.clock.ms + 60;
    await subscribe(given.store, given.clock, { ends: { endsMs } });
    for (let index = 0; index < 100; index += 1) await putWeight(given.store, `w${index}`);
    const notifier = notifierOn(given.store, given.clock, { eventsAtOnce: 1 });
    await until(() => given.clock.ms > endsMs + 200);
    await notifier.stop();
    // each notification looks at the clock several times, and every look is a millisecond
    expect(stub.numbers.length).toBeGreaterThan(0);
    expect(stub.numbers.length).toBeLessThan(20);
  });

  test('whose endpoint is not among the targets any more is not called', async () => {
    await subscribe(given.store, given.clock, { endpoint: 'http://127.0.0.1:1/hook' });
    notifierOn(given.store, given.clock);
    await until(async () => (await given.store.subscriptions.find('s1', 0))?.state === 'error');
    expect(await given.store.subscriptions.find('s1', 0)).toMatchObject({
      error: 'The endpoint is not among those that the operator allows.',
    });
    expect(stub.received).toEqual([]);
  });

  test.each([
    ['empty', 1, false],
    ['id-only', 2, true],
  ])('that asked for %s gets no reading', async (content, entries, isNamed) => {
    await subscribe(given.store, given.clock, { content });
    notifierOn(given.store, given.clock);
    await putWeight(given.store, 'w1', {}, '70.50');
    await until(() => isDone(given.store));
    await until(() => stub.received.length > 1);
    const { text, bundle } = stub.received.at(-1) as (typeof stub.received)[number];
    expect(bundle.entry).toHaveLength(entries);
    expect([text.includes('70.50'), text.includes('Observation/w1'), text.includes('"event-number"')]).toEqual([false, isNamed, true]);
  });

  test(
    'sees every final state in order and without a gap, whatever fails and whenever the service restarts',
    { timeout: 60_000 },
    async () => {
      const write = fc.record({
        id: fc.integer({ min: 0, max: 12 }).map((n) => `w${n}`),
        kind: fc.constantFrom('final', 'final', 'held', 'voided'),
      });
      const moods = fc.array(fc.constantFrom<Mood>('takes', 'fails', 'resets', 'takes-and-resets', 'redirects'), { maxLength: 25 });
      const [writes, troubles] = fc.sample(fc.tuple(fc.array(write, { minLength: 200, maxLength: 250 }), moods), {
        numRuns: 1,
        seed: 20261201,
      })[0] as [{ id: string; kind: string }[], Mood[]];
      await subscribe(given.store, given.clock);
      let notifier = notifierOn(given.store, given.clock);
      stub.moods.push(...troubles);
      for (const [at, { id, kind }] of writes.entries()) {
        await putWeight(
          given.store,
          id,
          kind === 'held' ? { held: true, status: 'preliminary' } : { status: kind === 'voided' ? 'entered-in-error' : 'final' },
        );
        notifier.wake();
        if (at % 90 !== 45) continue;
        // cut off amid whatever it does, as a kill does
        await notifier.stop(0);
        await given.reopen();
        notifier = notifierOn(given.store, given.clock);
      }
      await until(() => isDone(given.store));
      const { numbered = 0 } = (await given.store.subscriptions.find('s1', 0)) ?? {};
      expect(numbered).toBeGreaterThan(100);
      expectNoGap(stub.numbers, numbered);
      const final = finalOf(stub.focus);
      const { resources } = await given.store.read.searchObservations(search({ count: 1000 }));
      expect(resources.length).toBeGreaterThan(5);
      for (const { id, version } of resources) expect([id, final.get(id)]).toEqual([id, String(version)]);
    },
  );
});

describe.each(STORE_FACTORIES)('two notifiers on one $name store', (factory) => {
  test('never give a number to two events, and tell everything', { timeout: 60_000 }, async () => {
    const place = await factory.newPlace();
    const clock = new SetClock();
    const store = await place.open(clock);
    // a replica of its own where there can be one; a second worker of the same process where not
    const other = factory === postgresql ? await place.open(clock) : store;
    try {
      await subscribe(store, clock);
      notifierOn(store, clock);
      notifierOn(other, clock);
      stub.moods.push('takes', 'fails', 'takes-and-resets', 'takes', 'fails');
      for (let round = 0; round < 10; round += 1) await Promise.all(Array.from({ length: 8 }, (_, at) => putWeight(store, `w${at}`)));
      await until(() => isDone(store));
      expectNoGap(stub.numbers, 80);
      const said = stub.received.flatMap(({ bundle }) => eventsIn(bundle).map(({ number, focus }) => `${number} ${focus}`));
      expect(new Set(said).size).toBe(80);
      expect(new Set(said.map((one) => one.split(' ')[1])).size).toBe(80);
    } finally {
      for (const notifier of running.splice(0)) await notifier.stop(0);
      if (other !== store) await other.close();
      await store.close();
      await place.remove();
    }
  });
});
