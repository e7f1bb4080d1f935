import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { StoreUnavailable, type StoreWriter } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { factsOf, observationContent, outboxItem, putWeight, reading } from '../store-samples.ts';

const put = (tx: StoreWriter, id: string) => tx.putObservation(id, observationContent('70.0'), factsOf(reading(id, 1)));

export function groupCommitSuite(factory: StoreFactory): void {
  describe('units of work', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const countAll = () => given.store.read.countObservations({ includeHeld: true });

    test('one that fails among many is alone in failing and leaves nothing behind', async () => {
      const wrong = new Error('found on the way');
      const results = await Promise.allSettled(
        Array.from({ length: 200 }, (_, at) =>
          given.store.write(async (tx) => {
            await put(tx, `o${at}`);
            await tx.addFingerprint(`f${at}`, `o${at}`);
            if (at === 77) throw wrong;
            return at;
          }),
        ),
      );
      results.forEach((result, at) =>
        expect(result).toEqual(at === 77 ? { status: 'rejected', reason: wrong } : { status: 'fulfilled', value: at }),
      );
      expect(await countAll()).toBe(199);
      expect(await given.store.read.current('Observation', 'o77')).toBeUndefined();
      expect(await given.store.read.idsByFingerprint('f77')).toEqual([]);
    });

    test('two never run at the same time, however long each takes', async () => {
      const steps: string[] = [];
      const slow = (name: string) =>
        given.store.write(async (tx) => {
          for (const step of [1, 2, 3]) {
            steps.push(`${name}${step}`);
            await put(tx, `${name}${step}`);
            await new Promise((resolve) => setImmediate(resolve));
          }
        });
      await Promise.all([slow('a'), slow('b'), slow('c')]);
      expect(steps).toEqual(['a1', 'a2', 'a3', 'b1', 'b2', 'b3', 'c1', 'c2', 'c3']);
    });

    test('each sees what those before it wrote', async () => {
      const versions = await Promise.all(Array.from({ length: 20 }, () => putWeight(given.store, 'same')));
      expect(versions.map(({ version }) => version)).toEqual(Array.from({ length: 20 }, (_, at) => at + 1));
    });

    test('what is resolved can be read by others at once', async () => {
      await Promise.all(
        Array.from({ length: 30 }, async (_, at) => {
          const stored = await putWeight(given.store, `o${at}`);
          expect(await given.store.read.current('Observation', `o${at}`)).toEqual(stored);
        }),
      );
    });

    test('a unit that goes on writing after its end is stopped', async () => {
      const kept: { tx?: StoreWriter } = {};
      await given.store.write(async (tx) => {
        kept.tx = tx;
        await put(tx, 'in-time');
      });
      await expect(put(kept.tx as StoreWriter, 'too-late')).rejects.toThrow('after it had ended');
      await putWeight(given.store, 'next');
      expect(await given.store.read.current('Observation', 'too-late')).toBeUndefined();
    });

    test('a number taken in a unit that failed is not missed, and no number is given twice', async () => {
      const enqueue = () => given.store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
      const first = await enqueue();
      await expect(
        given.store.write(async (tx) => {
          await tx.enqueue(outboxItem('Patient/p1', ['o2']));
          throw new Error('no');
        }),
      ).rejects.toThrow('no');
      const second = await enqueue();
      expect(second).toBeGreaterThan(first);
      expect((await given.store.outbox.list({ limit: 10 })).map(({ number }) => number)).toEqual([first, second]);
    });

    test('an open store is ready; a closed one is not, and takes nothing more', async () => {
      expect(await given.store.isReady()).toBe(true);
      const lastOne = putWeight(given.store, 'just-before');
      await given.store.close();
      expect((await lastOne).version).toBe(1);
      expect(await given.store.isReady()).toBe(false);
      await expect(putWeight(given.store, 'after')).rejects.toBeInstanceOf(StoreUnavailable);
      const store = await given.reopen();
      expect(await store.read.current('Observation', 'just-before')).toBeDefined();
      expect(await store.read.current('Observation', 'after')).toBeUndefined();
    });
  });
}
