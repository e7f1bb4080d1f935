/** Several replicas on one PostgreSQL database, in this process and in others. */
import { spawn, type ChildProcess } from 'node:child_process';
import { once } from 'node:events';
import { createInterface } from 'node:readline';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { ObservationSearch, OutboxItem, Store, StoredResource } from '../../src/ports.ts';
import { openPostgresStore } from '../../src/store/postgres.ts';
import { built } from '../built.ts';
import { outboxItem, putWeight, search } from '../contract/store-samples.ts';
import { passingStore, type PassingStore } from '../postgres-setup.ts';

/** When all items of these tests are due. Their leases are measured by the clock of the database. */
const LATER = Date.UTC(2026, 2, 14, 9);

let place: PassingStore;
const opened: Store[] = [];
const children: ChildProcess[] = [];

beforeEach(async () => {
  place = await passingStore();
});
afterEach(async () => {
  for (const child of children.splice(0)) if (child.exitCode === null && child.signalCode === null) await killed(child);
  for (const store of opened.splice(0)) await store.close();
  await place.remove();
});

/** @param skewMs by how much this replica's clock is wrong */
async function replica(skewMs = 0): Promise<Store> {
  const store = await openPostgresStore(place.url, { clock: { nowMs: () => Date.now() + skewMs } });
  opened.push(store);
  return store;
}

async function killed(child: ChildProcess): Promise<void> {
  const exited = once(child, 'exit');
  child.kill('SIGKILL');
  await exited;
}

/** A replica in a process of its own that writes without end. */
function startWriter(name: string): { readonly child: ChildProcess; readonly acknowledged: string[] } {
  const child = spawn(process.execPath, [built('tests/contract/write-until-killed.ts'), 'PostgreSQL', place.url, name], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  children.push(child);
  const acknowledged: string[] = [];
  createInterface({ input: child.stdout }).on('line', (line) => acknowledged.push(line));
  return { child, acknowledged };
}

async function until(isSo: () => boolean): Promise<void> {
  while (!isSo()) await new Promise((resolve) => setTimeout(resolve, 10));
}

/** Asks for what is newer than the last row that it saw, again and again, as an EHR that pulls does. */
class Poller {
  readonly seen: StoredResource[] = [];
  readonly #store: Store;

  constructor(store: Store) {
    this.#store = store;
  }

  async poll(): Promise<void> {
    const last = this.seen.at(-1)?.lastUpdated;
    const newer: Partial<ObservationSearch> = last === undefined ? {} : { lastUpdated: [{ comparator: 'gt', start: last, end: last }] };
    let cursor: string | undefined;
    do {
      const sorted = search({ ...newer, sort: [{ by: '_lastUpdated', descending: false }], count: 7, ...(cursor && { cursor }) });
      const page = await this.#store.read.searchObservations(sorted);
      this.seen.push(...page.resources);
      cursor = page.next;
    } while (cursor !== undefined);
  }
}

async function everything(store: Store): Promise<string[]> {
  const { resources } = await store.read.searchObservations(search({ count: 100_000 }));
  return resources.map(({ id }) => id);
}

function expectExactlyOnce(seen: readonly StoredResource[], stored: readonly string[]): void {
  expect(seen.map(({ id }) => id)).toEqual(stored);
  const instants = seen.map(({ lastUpdated }) => lastUpdated);
  expect(instants).toEqual([...new Set(instants)].sort());
}

describe('replicas that write at once', () => {
  test('give out instants that only grow, and whoever polls sees each row exactly once, though their clocks differ', async () => {
    const replicas = [await replica(), await replica(60_000), await replica(-60_000)];
    const poller = new Poller(replicas[0] as Store);
    let isWriting = true;
    const writing = Promise.all(
      replicas.flatMap((store, at) =>
        Array.from({ length: 6 }, async (_, writer) => {
          for (let count = 0; count < 25; count += 1) await putWeight(store, `r${at}-${writer}-${count}`);
        }),
      ),
    ).finally(() => (isWriting = false));
    while (isWriting) await poller.poll();
    await writing;
    await poller.poll();
    expect(poller.seen).toHaveLength(3 * 6 * 25);
    expectExactlyOnce(poller.seen, await everything(replicas[1] as Store));
  });

  test('count versions of one resource without a gap or a repetition', async () => {
    const replicas = await Promise.all([replica(), replica(), replica()]);
    const versions = await Promise.all(Array.from({ length: 60 }, (_, at) => putWeight(replicas[at % 3] as Store, 'same')));
    expect(versions.map(({ version }) => version).sort((a, b) => a - b)).toEqual(Array.from({ length: 60 }, (_, at) => at + 1));
  });

  test('in processes of their own, one killed and one stopped amid its writing: the rest goes on, and nothing acknowledged is lost', async () => {
    const ours = await replica();
    const [dying, hanging] = [startWriter('dying'), startWriter('hanging')];
    const poller = new Poller(ours);
    await until(() => dying.acknowledged.length > 60 && hanging.acknowledged.length > 60);
    await poller.poll();
    await killed(dying.child);
    hanging.child.kill('SIGSTOP');
    // whether or not it stopped while it held the lock: the database ends its transaction before our patience ends
    for (let count = 0; count < 20; count += 1) await putWeight(ours, `ours-${count}`);
    await poller.poll();
    const before = hanging.acknowledged.length;
    hanging.child.kill('SIGCONT');
    await until(() => hanging.acknowledged.length > before + 60);
    await killed(hanging.child);
    await poller.poll();
    const stored = await everything(ours);
    expect(stored).toEqual(expect.arrayContaining([...dying.acknowledged, ...hanging.acknowledged]));
    expectExactlyOnce(poller.seen, stored);
  });
});

describe('replicas that claim at once', () => {
  const PERSONS = 12;
  const ITEMS = 15;

  test('never share an item, never have two of one person, and send those of a person in order', async () => {
    const replicas = await Promise.all(Array.from({ length: 5 }, () => replica()));
    const queued: number[] = [];
    for (let item = 0; item < ITEMS; item += 1)
      queued.push(
        ...(await Promise.all(
          Array.from({ length: PERSONS }, (_, person) =>
            (replicas[0] as Store).write((tx) => tx.enqueue(outboxItem(`Patient/p${person}`, [`o${person}-${item}`]))),
          ),
        )),
      );
    const sent: OutboxItem[] = [];
    const inFlight = new Set<string>();
    const work = async ({ outbox }: Store): Promise<void> => {
      while (sent.length < PERSONS * ITEMS) {
        for (const item of await outbox.claim(LATER, 60_000, 3)) {
          expect(inFlight).not.toContain(item.person);
          inFlight.add(item.person);
          await new Promise((resolve) => setImmediate(resolve));
          sent.push(item);
          inFlight.delete(item.person);
          await outbox.markSent(item.number, []);
        }
      }
    };
    // two claimers a replica, so that claims meet within one, too
    await Promise.all([...replicas, ...replicas].map(work));
    expect(sent.map(({ number }) => number).sort((a, b) => a - b)).toEqual(queued.sort((a, b) => a - b));
    expect(sent.every(({ tries }) => tries === 1)).toBe(true);
    for (let person = 0; person < PERSONS; person += 1) {
      const order = sent.filter((item) => item.person === `Patient/p${person}`).map(({ number }) => number);
      expect(order).toEqual([...order].sort((a, b) => a - b));
    }
  });

  test('leave out what another one has a lease on, and take it over when the lease has ended', async () => {
    const [one, other] = [await replica(), await replica()];
    await one.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
    expect(await one.outbox.claim(LATER, 300, 5)).toMatchObject([{ tries: 1 }]);
    expect(await other.outbox.claim(LATER, 300, 5)).toEqual([]);
    let taken: readonly OutboxItem[] = [];
    while (taken.length === 0) taken = await other.outbox.claim(LATER, 60_000, 5);
    expect(taken).toMatchObject([{ tries: 2 }]);
    expect(await one.outbox.claim(LATER, 60_000, 5)).toEqual([]);
  });

  test('do not wait for those who write', async () => {
    const [writer, claimer] = [await replica(), await replica()];
    await writer.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
    await writer.write(async (tx) => {
      await tx.enqueue(outboxItem('Patient/p2', ['o2']));
      expect(await claimer.outbox.claim(LATER, 60_000, 5)).toMatchObject([{ person: 'Patient/p1' }]);
    });
    expect(await claimer.outbox.claim(LATER, 60_000, 5)).toMatchObject([{ person: 'Patient/p2' }]);
  });
});
