import fc from 'fast-check';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { ObservationSearch, Store } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { NOON, putWeight, search } from '../store-samples.ts';

const PERSONS = ['Patient/p1', 'Patient/p2'];

const write = fc.record({
  id: fc.integer({ min: 0, max: 15 }).map((n) => `o${n}`),
  person: fc.constantFrom(...PERSONS),
  hour: fc.integer({ min: 0, max: 4 }),
  held: fc.boolean(),
});
type Write = typeof write extends fc.Arbitrary<infer Value> ? Value : never;

const sorts: fc.Arbitrary<ObservationSearch['sort']> = fc.uniqueArray(
  fc.record({ by: fc.constantFrom('date' as const, '_lastUpdated' as const, '_id' as const), descending: fc.boolean() }),
  { maxLength: 3, selector: ({ by }) => by },
);

const searches: fc.Arbitrary<ObservationSearch> = fc.record({
  sort: sorts,
  count: fc.integer({ min: 1, max: 4 }),
  includeHeld: fc.boolean(),
  persons: fc.constantFrom(PERSONS, PERSONS.slice(1)),
});

async function apply(store: Store, writes: readonly Write[]): Promise<void> {
  await Promise.all(
    writes.map(({ id, person, hour, held }) => putWeight(store, id, { person, held, startMs: NOON + hour, endMs: NOON + hour })),
  );
}

export function pagingSuite(factory: StoreFactory): void {
  describe('paging', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    test('whatever is written between pages, each row of the first moment is seen exactly once', async () => {
      await fc.assert(
        fc.asyncProperty(
          fc.array(write, { maxLength: 30 }),
          fc.array(fc.array(write, { maxLength: 6 }), { maxLength: 8 }),
          searches,
          async (first, later, query) => {
            await apply(given.store, first);
            const whole = await given.store.read.searchObservations({ ...query, count: 1000 });
            const seen = [];
            let page = await given.store.read.searchObservations(query);
            for (let turn = 0; ; turn += 1) {
              expect(page.resources.length).toBeLessThanOrEqual(query.count);
              seen.push(...page.resources);
              if (page.next === undefined) break;
              await apply(given.store, later[turn] ?? []);
              page = await given.store.read.searchObservations({ ...query, cursor: page.next });
            }
            expect(seen).toEqual(whole.resources);
          },
        ),
        { numRuns: 60 },
      );
    });

    test('a link still works after a restart', async () => {
      for (const id of ['a', 'b', 'c']) await putWeight(given.store, id);
      const { next } = await given.store.read.searchObservations(search({ count: 2 }));
      const store = await given.reopen();
      const page = await store.read.searchObservations(search({ count: 2, cursor: next as string }));
      expect(page.resources.map(({ id }) => id)).toEqual(['c']);
      expect(page.next).toBeUndefined();
    });

    test('a page of just the right length is the last', async () => {
      for (const id of ['a', 'b']) await putWeight(given.store, id);
      expect((await given.store.read.searchObservations(search({ count: 2 }))).next).toBeUndefined();
      expect(await given.store.read.searchObservations(search({ count: 0 }))).toEqual({ resources: [] });
    });

    const encoded = (content: unknown) => Buffer.from(JSON.stringify(content)).toString('base64url');
    const sort = 'resource_version.last_updated';
    test.each([
      ['empty', ''],
      ['not base64url', 'a+b/c='],
      ['not JSON', Buffer.from('nonsense').toString('base64url')],
      ['no list', encoded({ snapshot: 1 })],
      ['without a position', encoded([1, sort])],
      ['with too many values', encoded([1, sort, 'x', 'y'])],
      ['with a value of another kind', encoded([1, sort, 7])],
      ['with a broken snapshot', encoded([-1.5, sort, 'x'])],
      ['of another sort', encoded([1, '-resource_version.last_updated', 'x'])],
      ['far too long', 'A'.repeat(5000)],
    ])('a link that is %s is refused', async (_what, cursor) => {
      await expect(given.store.read.searchObservations(search({ cursor }))).rejects.toMatchObject({
        name: 'ServiceError',
        code: 'ERR_BAD_VALUE',
      });
      await expect(given.store.read.searchRegistry('Device', { count: 1, cursor })).rejects.toMatchObject({ code: 'ERR_BAD_VALUE' });
    });
  });
}
