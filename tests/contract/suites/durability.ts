import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { createInterface } from 'node:readline';
import { describe, expect, test } from 'vitest';
import { built } from '../../built.ts';
import { openForTest, SetClock, type StoreFactory } from '../store-factories.ts';
import { outboxItem, putWeight } from '../store-samples.ts';

const KILLS = 5;
const ACKNOWLEDGED_BEFORE_KILL = 40;

/** Starts the writing child, kills it amid its writing, and returns the ids that it was told are stored. */
async function writeUntilKilled(factory: StoreFactory, location: string, round: number): Promise<string[]> {
  const child = spawn(process.execPath, [built('tests/contract/write-until-killed.ts'), factory.name, location, String(round)], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  const acknowledged: string[] = [];
  const exited = once(child, 'exit');
  for await (const line of createInterface({ input: child.stdout })) {
    acknowledged.push(line);
    if (acknowledged.length === ACKNOWLEDGED_BEFORE_KILL + round * 7) child.kill('SIGKILL');
  }
  const [, signal] = (await exited) as [number | null, string | null];
  expect(signal).toBe('SIGKILL');
  return acknowledged;
}

export function durabilitySuite(factory: StoreFactory): void {
  describe('durability', () => {
    test('everything is there after closing and opening again', async () => {
      const given = await openForTest(factory);
      const stored = await putWeight(given.store, 'a1', {}, '70.50');
      await given.store.write((tx) => tx.addFingerprint('f1', 'a1'));
      const number = await given.store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['a1'])));
      const store = await given.reopen();
      expect(await store.read.current('Observation', 'a1')).toEqual(stored);
      expect(await store.read.idsByFingerprint('f1')).toEqual(['a1']);
      expect(await store.outbox.list({ limit: 5 })).toMatchObject([{ number, concerns: ['a1'] }]);
      expect((await putWeight(store, 'a1')).version).toBe(2);
      await given.end();
    });

    test(`nothing that was acknowledged is lost, and nothing is half there, when the process is killed ${KILLS} times`, async () => {
      const place = await factory.newPlace();
      const acknowledged: string[] = [];
      for (let round = 0; round < KILLS; round += 1) acknowledged.push(...(await writeUntilKilled(factory, place.location, round)));
      expect(acknowledged.length).toBeGreaterThanOrEqual(KILLS * ACKNOWLEDGED_BEFORE_KILL);
      expect(new Set(acknowledged).size).toBe(acknowledged.length);

      const store = await place.open(new SetClock());
      for (const id of acknowledged) expect(await store.read.current('Observation', id), id).toBeDefined();
      const queued = (await store.outbox.list({ limit: 100_000 })).flatMap(({ concerns }) => concerns);
      const { resources } = await store.read.searchObservations({ includeHeld: true, sort: [], count: 100_000 });
      // a unit stores the reading, its fingerprint and its outbox item, or none of them
      expect(queued).toEqual(resources.map(({ id }) => id));
      for (const id of queued) expect(await store.read.idsByFingerprint(`fingerprint of ${id}`)).toEqual([id]);
      await store.close();
      await place.remove();
    }, 120_000);
  });
}
