import fc from 'fast-check';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { Call } from '../../../src/caller.ts';
import type { ExportJob, Store, StoredResource } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { putWeight, search } from '../store-samples.ts';

const DAY_MS = 86_400_000;
const LIMITS = { mostPerClient: 2, most: 3 };
const callOf = (client?: string): Call => ({ requestId: 'r-1', caller: client === undefined ? {} : { client } });

async function fetched(store: Store, job: ExportJob, limit = 2): Promise<StoredResource[]> {
  const seen: StoredResource[] = [];
  for (const part of job.counts.keys()) {
    let from: number | undefined;
    do {
      const page = await store.exports.page(job, part, limit, from);
      if (page === undefined) throw new Error('the job is gone');
      expect(page.resources.length).toBeLessThanOrEqual(limit);
      seen.push(...page.resources);
      from = page.next;
    } while (from !== undefined);
  }
  return seen;
}

export function exportsSuite(factory: StoreFactory): void {
  describe('bulk exports', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const begin = (id: string, since?: string, client?: string) =>
      given.store.exports.begin(
        {
          id,
          request: 'http://localhost/fhir/$export',
          createdMs: given.clock.ms,
          expiresMs: given.clock.ms + DAY_MS,
          ...(since !== undefined && { since }),
        },
        LIMITS,
        callOf(client),
      );
    const counted = async (id: string): Promise<ExportJob> => {
      for (;;) {
        await given.store.exports.advance(id);
        const job = await given.store.exports.find(id, given.clock.ms);
        if (job === undefined) throw new Error('the job is gone');
        if (job.progress === 1) return job;
      }
    };

    test('hold exactly what a search showed when they were asked for, whatever is written meanwhile', async () => {
      const ids = fc.integer({ min: 0, max: 9 }).map((n) => `o${n}`);
      const writes = fc.array(fc.record({ id: ids, held: fc.boolean() }), { maxLength: 20 });
      let jobs = 0;
      await fc.assert(
        fc.asyncProperty(writes, writes, writes, async (before, while_, after) => {
          const apply = async (some: typeof before): Promise<void> => {
            await Promise.all(some.map(({ id, held }) => putWeight(given.store, id, { held })));
          };
          await apply(before);
          const id = `j${(jobs += 1)}`;
          const { resources } = await given.store.read.searchObservations(search({ count: 1000 }));
          const begun = await begin(id);
          await apply(while_);
          const job = await counted(id);
          await apply(after);
          const found = await fetched(given.store, job);
          expect(found).toEqual(resources);
          expect(job.counts.reduce((sum, count) => sum + count, 0)).toBe(resources.length);
          expect(begun?.transactionTime).toBe(job.transactionTime);
          await given.store.exports.remove(id, given.clock.ms, callOf());
        }),
        { numRuns: 10 },
      );
    });

    test('go on from the transaction time of the one before, without a gap and without a repetition', async () => {
      await putWeight(given.store, 'a');
      await putWeight(given.store, 'b');
      await begin('first');
      const first = await counted('first');
      await putWeight(given.store, 'b');
      await putWeight(given.store, 'c');
      await begin('second', first.transactionTime);
      const second = await fetched(given.store, await counted('second'));
      expect(second.map(({ id, version }) => `${id}/${version}`)).toEqual(['b/2', 'c/1']);
      expect((await fetched(given.store, first)).map(({ id, version }) => `${id}/${version}`)).toEqual(['a/1', 'b/1']);
    });

    test('go on after a restart', async () => {
      await putWeight(given.store, 'a');
      await begin('j');
      await given.reopen();
      expect((await fetched(given.store, await counted('j'))).map(({ id }) => id)).toEqual(['a']);
    });

    test('of an empty store are done at once and hold nothing', async () => {
      expect(await begin('j')).toMatchObject({ progress: 1, counts: [], transactionTime: new Date(given.clock.ms).toISOString() });
    });

    test('are counted once, though two ask for it at the same time', async () => {
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      await begin('j');
      await Promise.all([given.store.exports.advance('j'), given.store.exports.advance('j'), given.store.exports.advance('j')]);
      expect(await given.store.exports.find('j', given.clock.ms)).toMatchObject({ progress: 1, counts: [3] });
    });

    test('are limited for each client and together, and make room when they are removed or over', async () => {
      expect(await begin('a1', undefined, 'a')).toMatchObject({ client: 'a' });
      expect(await begin('a2', undefined, 'a')).toBeDefined();
      expect(await begin('a3', undefined, 'a')).toBeUndefined();
      expect(await begin('b1', undefined, 'b')).toBeDefined();
      expect(await begin('c1', undefined, 'c')).toBeUndefined();
      expect(await given.store.exports.remove('a1', given.clock.ms, callOf('a'))).toBe(true);
      expect(await given.store.exports.remove('a1', given.clock.ms, callOf('a'))).toBe(false);
      expect(await begin('c1', undefined, 'c')).toBeDefined();
      given.clock.ms += DAY_MS;
      expect(await given.store.exports.find('c1', given.clock.ms)).toBeUndefined();
      expect(await given.store.exports.removeExpired(given.clock.ms)).toBe(3);
      expect(await begin('a3', undefined, 'a')).toBeDefined();
    });

    test('are in the audit when they begin and when they are deleted', async () => {
      await begin('j', undefined, 'ehr');
      await given.store.exports.remove('j', given.clock.ms, callOf('ehr'));
      const { events } = await given.store.audit.search({ subtypes: [{ value: 'export' }], count: 9 });
      expect(events.map(({ text }) => text.includes('"valueString":"j"'))).toEqual([true, true]);
      expect(events[0]?.text).toContain('"value":"ehr"');
    });
  });
}
