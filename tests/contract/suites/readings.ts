import fc from 'fast-check';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { Reading } from '../../../src/core/reading.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { factsOf, instantReading, measured, NOON, observationContent, outboxItem, reading } from '../store-samples.ts';

const PERSON = 'Patient/wren-alder';

const quantities = fc
  .tuple(
    fc.integer({ min: 0, max: 999 }),
    fc.stringMatching(/^[0-9]{0,3}$/),
    fc.constantFrom('kg' as const, 'g' as const, '[lb_av]' as const),
  )
  .map(([whole, decimals, unit]) => measured(decimals === '' ? String(whole) : `${whole}.${decimals}`, unit));

const readings: fc.Arbitrary<Reading> = fc
  .record(
    {
      of: fc.constantFrom('weight' as const, 'height' as const),
      basis: fc.constantFrom('measured' as const, 'stated' as const, 'birth' as const),
      status: fc.constantFrom('final' as const, 'amended' as const, 'entered-in-error' as const),
      held: fc.boolean(),
      quantity: quantities,
      effective: fc.constant({ text: '2026-03-14', startMs: NOON, endMs: NOON + 86_399_999, precision: 'day' as const }),
      device: fc.constant('Device/bed-scale-2'),
      method: fc.constantFrom('bed-scale' as const, 'sling-lift' as const),
      position: fc.constantFrom('standing' as const, 'lying' as const),
      gross: quantities,
      tare: quantities,
      tieKey: fc.string(),
    },
    { requiredKeys: ['of', 'basis', 'status', 'held', 'effective', 'tieKey'] },
  )
  .map((parts) => ({ id: 'r1', version: 1, person: PERSON, ...parts }));

export function readingsSuite(factory: StoreFactory): void {
  describe('readings of a person', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const put = (decoded: Reading, personAsSent?: string) =>
      given.store.write((tx) =>
        tx.putObservation(decoded.id, observationContent('70.0'), factsOf(decoded, personAsSent === undefined ? {} : { personAsSent })),
      );

    test('a reading comes back exactly as it was decoded, absent parts absent', async () => {
      let version = 0;
      await fc.assert(
        fc.asyncProperty(readings, async (decoded) => {
          version += 1;
          await put({ ...decoded, version });
          expect(await given.store.read.readingsOf(PERSON)).toStrictEqual([{ ...decoded, version }]);
        }),
        { numRuns: 60 },
      );
    });

    test('current weights and heights come in the order of measuring, those of one instant by their tie key', async () => {
      const inOrder = [
        instantReading('early', NOON - 1000, { tieKey: 'z' }),
        instantReading('tie-a', NOON, { tieKey: 'A' }),
        instantReading('tie-b', NOON, { tieKey: 'a', of: 'height', quantity: measured('170.5', 'cm') }),
        instantReading('tie-c', NOON, { tieKey: 'ä' }),
        instantReading('late', NOON + 1000, { tieKey: '0', held: true }),
      ];
      for (const at of [3, 0, 4, 2, 1]) await put(inOrder[at] as Reading);
      await put(instantReading('somebody-else', NOON, { person: 'Patient/otis-fernbank' }));
      expect(await given.store.read.readingsOf(PERSON)).toStrictEqual(inOrder);
    });

    test('a corrected reading counts once, as corrected', async () => {
      await put(reading('r1', 1));
      const corrected = reading('r1', 2, { quantity: measured('71.5', 'kg'), status: 'amended' });
      await put(corrected);
      expect(await given.store.read.readingsOf(PERSON)).toStrictEqual([corrected]);
    });

    test('a reading is found by its id, as corrected and under the person that it was moved to', async () => {
      const key = 'identifier:urn:harbourlight|77';
      await put(reading('r1', 1, { person: key }), key);
      const corrected = reading('r1', 2, { person: key, quantity: measured('71.5', 'kg'), status: 'amended' });
      await put(corrected, key);
      expect(await given.store.read.readingOf('r1')).toStrictEqual(corrected);
      expect(await given.store.write((tx) => tx.refile(key, PERSON))).toEqual([key]);
      expect(await given.store.read.readingOf('r1')).toStrictEqual({ ...corrected, person: PERSON });
      expect(await given.store.read.readingOf('r2')).toBeUndefined();
    });

    test('the longest wait of what is held counts from when it began to be held, whatever was marked on it since', async () => {
      const put = (id: string, held: boolean, atMs: number) => {
        given.clock.ms = atMs;
        const facts = factsOf(reading(id, 1, { held }), { status: held ? 'preliminary' : 'final' });
        return given.store.write((tx) => tx.putObservation(id, observationContent('70.0'), facts));
      };
      const heldSince = async (): Promise<number> => Date.parse((await given.store.read.heldSince()) ?? '') - NOON;
      expect(await given.store.read.heldSince()).toBeUndefined();
      await put('w1', true, NOON);
      await put('w1', false, NOON + 1_000);
      expect(await given.store.read.heldSince()).toBeUndefined();
      await put('w1', true, NOON + 2_000);
      await put('w1', true, NOON + 3_000);
      await put('w2', true, NOON + 4_000);
      expect(await heldSince()).toBe(2_000);
      await put('w1', false, NOON + 5_000);
      expect(await heldSince()).toBe(4_000);
      expect(Date.parse((await given.store.read.heldSince('w2')) ?? '') - NOON).toBe(4_000);
      expect(await given.store.read.heldSince('w1')).toBeUndefined();
    });

    test('what is held is listed with since when, the longest wait first, and its mark tells each change', async () => {
      const marks: string[] = [];
      const putHeld = async (id: string, version: number, held: boolean, atMs: number): Promise<Reading> => {
        given.clock.ms = NOON + atMs;
        const stored = reading(id, version, { held });
        await given.store.write((tx) =>
          tx.putObservation(id, observationContent('70.0'), factsOf(stored, { status: held ? 'preliminary' : 'final' })),
        );
        marks.push(await given.store.read.heldMark());
        return stored;
      };
      const list = async (limit: number) =>
        (await given.store.read.heldReadings(limit)).map(({ reading: held, since }) => ({ held, afterMs: Date.parse(since) - NOON }));
      expect(await list(10)).toEqual([]);
      const second = await putHeld('w2', 1, true, 1_000);
      await putHeld('w1', 1, true, 2_000);
      await putHeld('w3', 1, true, 3_000);
      await putHeld('w3', 2, false, 4_000);
      const marked = await putHeld('w1', 2, true, 5_000);
      expect(await list(10)).toEqual([
        { held: second, afterMs: 1_000 },
        { held: marked, afterMs: 2_000 },
      ]);
      expect(await list(1)).toEqual([{ held: second, afterMs: 1_000 }]);
      await putHeld('w2', 2, false, 6_000);
      const again = await putHeld('w2', 3, true, 7_000);
      expect(await list(10)).toEqual([
        { held: marked, afterMs: 2_000 },
        { held: again, afterMs: 7_000 },
      ]);
      // each tells that something changed since the one before
      expect(marks.filter((mark, place) => mark === marks[place - 1])).toEqual([]);
      expect(marks).toHaveLength(7);
    });

    test('BMI stands apart from the readings, with its inputs and its current status', async () => {
      const standing = { weightId: 'w1', heightId: 'h1', valueText: '31.3', effectiveText: '2026-03-14T12:00:00Z' };
      const facts = { ...factsOf(reading('b1', 1)), of: 'bmi' as const, standing, derivedFrom: ['w1', 'h1'] };
      const { reading: _reading, ...bmi } = facts;
      await given.store.write((tx) => tx.putObservation('b1', observationContent('31.3'), bmi));
      await given.store.write((tx) => tx.putObservation('b1', observationContent('31.3'), { ...bmi, status: 'entered-in-error' }));
      expect(await given.store.read.standingDerivedOf(PERSON)).toStrictEqual([
        { id: 'b1', version: 2, status: 'entered-in-error', ...standing },
      ]);
      expect(await given.store.read.readingsOf(PERSON)).toEqual([]);
      expect(await given.store.read.readingOf('b1')).toBeUndefined();
      expect(await given.store.read.standingDerivedOf('Patient/otis-fernbank')).toEqual([]);
    });

    test('a person known by another key is moved with readings and outbox items', async () => {
      const key = 'identifier:urn:harbourlight|77';
      await put(reading('r1', 1, { person: key }), key);
      await given.store.write((tx) => tx.enqueue(outboxItem(key, ['r1'])));
      expect(await given.store.write((tx) => tx.refile(key, PERSON))).toEqual([key]);
      expect(await given.store.read.readingsOf(key)).toEqual([]);
      expect(await given.store.read.readingsOf(PERSON)).toStrictEqual([reading('r1', 1)]);
      expect((await given.store.outbox.list({ limit: 5 })).map(({ person }) => person)).toEqual([PERSON]);
    });

    test('what was filed for another Patient moves alone, and says how often', async () => {
      const key = 'identifier:urn:harbourlight|77';
      const other = 'Patient/otis-fernbank';
      await put(reading('r1', 1), key);
      await put(reading('r2', 1));
      expect(await given.store.write((tx) => tx.refile(key, other))).toEqual([PERSON]);
      expect(await given.store.read.readingsOf(PERSON)).toStrictEqual([reading('r2', 1)]);
      expect(await given.store.read.readingsOf(other)).toStrictEqual([reading('r1', 1, { person: other, moves: 1 })]);
      expect(await given.store.write((tx) => tx.refile(key, other))).toEqual([]);
      await put(reading('r1', 2, { person: other, moves: 1 }), key);
      expect((await given.store.read.readingOf('r1'))?.moves).toBe(1);
    });

    test('what was sent for a Patient by id moves to the one who replaces it and back, and leaves its BMI behind', async () => {
      const [old, survivor] = ['Patient/otis-fernbank', PERSON];
      const standing = { weightId: 'r1', heightId: 'h1', valueText: '31.3', effectiveText: '2026-03-14T12:00:00Z' };
      const { reading: _reading, ...bmi } = factsOf(reading('b1', 1, { person: old }));
      await put(reading('r1', 1, { person: old }), old);
      await put(reading('r2', 1), survivor);
      await given.store.write((tx) => tx.putObservation('b1', observationContent('31.3'), { ...bmi, of: 'bmi', standing }));
      expect(await given.store.write((tx) => tx.refile(old, survivor))).toEqual([old]);
      expect(await given.store.read.readingsOf(old)).toEqual([]);
      expect(await given.store.read.readingsOf(survivor)).toStrictEqual([reading('r1', 1, { moves: 1 }), reading('r2', 1)]);
      expect([await given.store.read.standingDerivedOf(old), await given.store.read.standingDerivedOf(survivor)]).toMatchObject([
        [{ id: 'b1' }],
        [],
      ]);
      expect([...(await given.store.read.keysFiledFor(survivor))].sort()).toEqual([old, survivor]);
      expect(await given.store.write((tx) => tx.refile(old, old))).toEqual([survivor]);
      expect(await given.store.read.readingsOf(old)).toStrictEqual([reading('r1', 1, { person: old, moves: 2 })]);
      expect(await given.store.read.readingsOf(survivor)).toStrictEqual([reading('r2', 1)]);
      expect(await given.store.read.keysFiledFor(survivor)).toEqual([survivor]);
      expect(await given.store.read.keysFiledFor('Patient/nobody')).toEqual([]);
    });

    test('a fingerprint leads to the Observations stored for it, the first one first', async () => {
      await given.store.write(async (tx) => {
        await tx.addFingerprint('f1', 'first');
        await tx.addFingerprint('f1', 'second');
        await tx.addFingerprint('f1', 'first');
        await tx.addFingerprint('f2', 'second');
      });
      const { read } = given.store;
      expect(await read.idsByFingerprint('f1')).toEqual(['first', 'second']);
      expect(await read.idsByFingerprint('f2')).toEqual(['second']);
      expect(await read.idsByFingerprint('f3')).toEqual([]);
      expect(await read.isFingerprintOf('f1', 'second')).toBe(true);
      expect(await read.isFingerprintOf('f2', 'first')).toBe(false);
    });

    test('refusals are kept as received, newest first', async () => {
      const refusal = (id: string) => ({ id, receivedAt: '2026-03-14T08:00:00.000Z', text: '{"value": 70.0 }', outcome: '{"issue":[]}' });
      for (const id of ['one', 'two', 'three']) await given.store.write((tx) => tx.addRefusal(refusal(id)));
      expect(await given.store.read.refusals(2)).toEqual([refusal('three'), refusal('two')]);
      expect(await given.store.read.refusals(2, 'two')).toEqual([refusal('one')]);
      expect(await given.store.read.refusals(2, 'one')).toEqual([]);
      await given.store.write((tx) => tx.addRefusal({ ...refusal('four'), client: 'gateway-7' }));
      expect(await given.store.read.refusals(1)).toEqual([{ ...refusal('four'), client: 'gateway-7' }]);
      expect(await given.store.read.countRefusals('2026-03-14T08:00:00.000Z')).toBe(4);
      expect(await given.store.read.countRefusals('2026-03-14T08:00:00.001Z')).toBe(0);
    });

    test('persons come page by page, each once, as long as they have a weight or a height', async () => {
      const people = ['Patient/c', 'identifier:urn:harbourlight|77', 'Patient/a', 'Patient/b'];
      for (const [index, person] of people.entries()) {
        await put(reading(`w${index}`, 1, { person }), person);
        await put(reading(`h${index}`, 1, { person, of: 'height', quantity: measured('170.5', 'cm') }));
        await put(reading(`w${index}`, 2, { person }), person);
      }
      const { reading: _reading, ...bmi } = { ...factsOf(reading('b1', 1, { person: 'Patient/bmi-only' })), of: 'bmi' as const };
      await given.store.write((tx) => tx.putObservation('b1', observationContent('31.3'), bmi));
      await put(reading('moved', 1, { person: 'Patient/left' }), 'Patient/left');
      await given.store.write((tx) => tx.refile('Patient/left', 'Patient/a'));
      const pages: (readonly string[])[] = [];
      for (let page = await given.store.read.personsWithReadings(3); page.length > 0;) {
        pages.push(page);
        page = await given.store.read.personsWithReadings(3, page.at(-1));
      }
      expect(pages.map(({ length }) => length)).toEqual([3, 1]);
      expect(pages.flat().sort()).toEqual([...people].sort());
    });
  });
}
