/** A store that is had empty again: nothing of before is found in it, and nothing stands in the way of the same once more. */
import { expect, test } from 'vitest';
import { openPassingStore } from '../../src/open-store.ts';
import { SetClock } from '../contract/store-factories.ts';
import { NOON, outboxItem, putWeight, search } from '../contract/store-samples.ts';
import { fill } from './filled.ts';

test('is filled in every table, emptied, and filled once more in the same way', async () => {
  const store = await openPassingStore(new SetClock());
  for (let turn = 1; turn <= 2; turn += 1) {
    // ids, digests and names are unique, so a row that was left would stop the second turn
    await fill(store);
    store.empty();
    expect((await store.read.searchObservations(search({ includeHeld: true, count: 9 }))).resources).toEqual([]);
    expect(await store.read.idsByFingerprint(['content', 'Patient/p1', '70'].join('\u0000'))).toEqual([]);
    expect(await store.outbox.counts()).toMatchObject({ waiting: 0, parked: 0 });
    expect(await store.subscriptions.list(NOON)).toEqual([]);
  }
  // numbers begin anew, and the store is one that can be used
  expect(await store.write((tx) => tx.enqueue(outboxItem('Patient/p9', ['w9'])))).toBe(1);
  expect(await putWeight(store, 'w0')).toMatchObject({ version: 1 });
  expect(await store.isReady()).toBe(true);
  await store.close();
});

test('is not emptied under a unit of work', async () => {
  const store = await openPassingStore(new SetClock());
  await store.write(async (tx) => {
    await tx.enqueue(outboxItem('Patient/p1', ['w1']));
    expect(() => store.empty()).toThrow();
  });
  expect(await store.outbox.counts()).toMatchObject({ waiting: 1 });
  await store.close();
});
