import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { toAuditEvent, type AuditedFacts } from '../../../src/core/audit/event.ts';
import { OURS } from '../../../src/core/terminology.ts';
import type { AuditSearch } from '../../../src/ports.ts';
import { openForTest, type StoreFactory } from '../store-factories.ts';
import { outboxItem, putWeight } from '../store-samples.ts';

export const EIGHT = Date.UTC(2026, 2, 14, 8);

/** A read of one reading of one person, a second after the one before. */
export function readEvent(at: number, changes: Partial<AuditedFacts> = {}) {
  return toAuditEvent({
    recordedMs: EIGHT + at * 1000,
    interaction: 'read',
    outcome: 'success',
    caller: { client: 'ward-gateway' },
    resources: [`Observation/o${at}/_history/1`],
    persons: [`Patient/p${at % 3}`],
    ...changes,
  });
}

export function auditSuite(factory: StoreFactory): void {
  describe('the audit', () => {
    let given: Awaited<ReturnType<typeof openForTest>>;
    beforeEach(async () => {
      given = await openForTest(factory);
    });
    afterEach(() => given.end());

    const add = (at: number, changes?: Partial<AuditedFacts>) => given.store.write((tx) => tx.addAudit(readEvent(at, changes)));
    const addMany = async (count: number) => {
      for (let at = 1; at <= count; at += 1) await add(at);
    };
    const found = async (search: Partial<AuditSearch>) =>
      (await given.store.audit.search({ count: 100, ...search })).events.map(({ id }) => Number(id));

    test('is whole when it is empty, and after a thousand events, also over a restart', async () => {
      expect(await given.store.audit.verify()).toMatchObject({ verified: 0, head: { number: 0 } });
      await given.store.write(async (tx) => {
        for (let at = 1; at <= 700; at += 1) await tx.addAudit(readEvent(at));
      });
      const store = await given.reopen();
      await store.write(async (tx) => {
        for (let at = 701; at <= 1000; at += 1) await tx.addAudit(readEvent(at));
      });
      const verdict = await store.audit.verify();
      expect(verdict).toEqual({
        verified: 1000,
        firstRecorded: '2026-03-14T08:00:01.000Z',
        lastRecorded: '2026-03-14T08:16:40.000Z',
        anchor: { number: 0, hash: '0'.repeat(64) },
        head: await store.audit.head(),
        versions: { checked: 0, notChecked: 0, gone: 0 },
      });
      expect(verdict.head.number).toBe(1000);
    });

    test('gives each event its number as id, and serves it as it was written', async () => {
      expect(await add(1)).toBe(1);
      expect(await add(2)).toBe(2);
      const { text } = (await given.store.audit.event('2')) ?? { text: '{}' };
      expect(JSON.parse(text)).toEqual({ ...readEvent(2), id: '2' });
      for (const id of ['0', '3', '02', 'x', '9'.repeat(40)]) expect(await given.store.audit.event(id)).toBeUndefined();
    });

    test('holds nothing of a unit that failed, and leaves no gap', async () => {
      await add(1);
      await expect(
        given.store.write(async (tx) => {
          await tx.addAudit(readEvent(2));
          throw new Error('found on the way');
        }),
      ).rejects.toThrow('found on the way');
      expect(await add(3)).toBe(2);
      expect(await given.store.audit.verify()).toMatchObject({ verified: 2, head: { number: 2 } });
      expect((await given.store.audit.verify()).bad).toBeUndefined();
    });

    test('numbers the events of units that run at once without gaps, and leaves out those of the failed ones', async () => {
      const results = await Promise.allSettled(
        Array.from({ length: 150 }, (_, at) =>
          given.store.write(async (tx) => {
            const number = await tx.addAudit(readEvent(at + 1));
            if (at % 10 === 3) throw new Error('this one fails');
            return number;
          }),
        ),
      );
      const numbers = results.flatMap((result) => (result.status === 'fulfilled' ? [result.value] : []));
      expect(numbers.sort((a, b) => a - b)).toEqual(Array.from({ length: 135 }, (_, at) => at + 1));
      const verdict = await given.store.audit.verify();
      expect([verdict.verified, verdict.bad]).toEqual([135, undefined]);
    });

    test('knows what a unit has written, with whom it is filed for', async () => {
      await putWeight(given.store, 'w1');
      await given.store.write(async (tx) => {
        await tx.putRegistry('Device', 's1', { resourceType: 'Device', id: 's1' }, { identifiers: [], references: [] });
        expect(tx.written).toEqual([{ type: 'Device', id: 's1', version: 1, digest: expect.stringMatching(/^[0-9a-f]{64}$/) as string }]);
      });
      await given.store.write(async (tx) => expect(tx.written).toEqual([]));
    });

    test('is searched by id, reference, agent, action, outcome, subtype and time, newest first', async () => {
      await add(1);
      await add(2, { caller: { client: 'review', user: 'nurse-7' }, interaction: 'operation', event: 'decide' });
      await add(3, { outcome: 'minor', interaction: 'update', persons: ['identifier:urn:harbourlight|4711'] });
      expect(await found({})).toEqual([3, 2, 1]);
      expect(await found({ ids: ['1', '3', '17', 'x'] })).toEqual([3, 1]);
      expect(await found({ references: [['Observation/o1', 'Observation/o2']] })).toEqual([2, 1]);
      expect(await found({ references: [['Observation/o1'], ['Patient/p2']] })).toEqual([]);
      expect(await found({ references: [['Observation/o1'], ['Patient/p1']] })).toEqual([1]);
      expect(await found({ references: [['identifier:urn:harbourlight|4711']] })).toEqual([3]);
      expect(await found({ references: [[]] })).toEqual([]);
      expect(await found({ agents: [{ value: 'nurse-7' }] })).toEqual([2]);
      expect(await found({ agents: [{ system: OURS.userIdentifier, value: 'nurse-7' }] })).toEqual([2]);
      expect(await found({ agents: [{ system: OURS.clientIdentifier, value: 'nurse-7' }] })).toEqual([]);
      expect(await found({ agents: [{ system: 'urn:other', value: 'nurse-7' }] })).toEqual([]);
      expect(await found({ actions: ['R'] })).toEqual([1]);
      expect(await found({ outcomes: ['4', '8'] })).toEqual([3]);
      expect(await found({ subtypes: [{ value: 'decide' }] })).toEqual([2]);
      expect(await found({ subtypes: [{ system: 'http://hl7.org/fhir/restful-interaction', value: 'read' }] })).toEqual([1]);
      expect(await found({ subtypes: [{ system: OURS.auditEventSystem, value: 'read' }] })).toEqual([]);
      const at = EIGHT + 2000;
      const bounds = { eq: [2], ne: [3, 1], gt: [3], sa: [3], lt: [1], eb: [1], ge: [3, 2], le: [2, 1] } as const;
      for (const [comparator, expected] of Object.entries(bounds)) {
        const dates = [{ comparator: comparator as keyof typeof bounds, startMs: at, endMs: at + 999 }];
        expect([comparator, await found({ dates })]).toEqual([comparator, expected]);
        expect([comparator, await found({ dates, agents: [{ value: 'ward-gateway' }, { value: 'review' }] })]).toEqual([
          comparator,
          expected,
        ]);
      }
    });

    test('is paged without a skip or a repetition while events are added', async () => {
      await addMany(7);
      const seen: number[] = [];
      let cursor: string | undefined;
      do {
        const page = await given.store.audit.search({ count: 3, ...(cursor !== undefined && { cursor }) });
        seen.push(...page.events.map(({ id }) => Number(id)));
        cursor = page.next;
        await add(100 + seen.length);
      } while (cursor !== undefined);
      expect(seen).toEqual([7, 6, 5, 4, 3, 2, 1]);
      await expect(given.store.audit.search({ count: 3, cursor: 'MQ' })).rejects.toMatchObject({ code: 'ERR_BAD_VALUE' });
    });

    test('still verifies after its oldest events were removed, and goes on counting where it was', async () => {
      await addMany(10);
      const noted = await given.store.audit.head();
      expect(await given.store.write((tx) => tx.purgeAuditBefore(EIGHT + 5000, 3))).toBe(3);
      expect(await given.store.write((tx) => tx.purgeAuditBefore(EIGHT + 5000, 100))).toBe(1);
      expect(await given.store.write((tx) => tx.purgeAuditBefore(EIGHT + 5000, 100))).toBe(0);
      expect(await found({})).toEqual([10, 9, 8, 7, 6, 5]);
      expect(await found({ references: [['Patient/p1']] })).toEqual([10, 7]);
      expect(await given.store.audit.verify(noted)).toMatchObject({ verified: 6, anchor: { number: 4 }, head: { number: 10 } });
      expect(await given.store.write((tx) => tx.purgeAuditBefore(EIGHT + 60_000, 100))).toBe(6);
      expect(await add(11)).toBe(11);
      const verdict = await given.store.audit.verify({ number: 4, hash: 'f'.repeat(64) });
      expect(verdict).toMatchObject({ verified: 1, anchor: noted, notedWasRemoved: true });
      expect(verdict.bad).toBeUndefined();
    });

    test('keeps an old event that stands behind a younger one, as after a clock was set back', async () => {
      await add(50);
      await add(1);
      expect(await given.store.write((tx) => tx.purgeAuditBefore(EIGHT + 10_000, 100))).toBe(0);
    });

    test('is compared with a head that was noted before', async () => {
      await addMany(3);
      const noted = await given.store.audit.head();
      await addMany(2);
      expect((await given.store.audit.verify(noted)).bad).toBeUndefined();
      expect((await given.store.audit.verify({ number: 3, hash: 'f'.repeat(64) })).bad).toEqual({ number: 3, fault: 'not-as-noted' });
      expect((await given.store.audit.verify({ ...noted, number: 9 })).bad).toEqual({ number: 6, fault: 'removed' });
    });

    test('says of each outbox item that it was sent, parked, sent again or given up, and by whom', async () => {
      const number = await given.store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
      const by = { requestId: 'r-1', caller: { client: 'cli', user: 'operator-3' } };
      await given.store.outbox.claim(given.clock.nowMs(), 60_000, 10);
      await given.store.outbox.park(number, 'the EHR answered 422');
      await given.store.outbox.park(number, 'parked already');
      await given.store.outbox.retry(number, given.clock.nowMs(), by);
      await given.store.outbox.retry(number, given.clock.nowMs(), by);
      await given.store.outbox.markSent(number, [{ type: 'Observation', id: 'o1', reference: 'Observation/ehr-9', version: 1 }]);
      const { events } = await given.store.audit.search({ count: 100, references: [['Patient/p1']] });
      const told = events.map(({ text }) => JSON.parse(text) as ReturnType<typeof readEvent>);
      expect(told.map(({ subtype, outcome }) => [subtype?.at(-1)?.code, outcome])).toEqual([
        ['sent', '0'],
        ['outbox-retry', '0'],
        ['parked', '8'],
      ]);
      expect(told[0]?.agent.map(({ who }) => who?.display ?? who?.identifier?.value)).toEqual(['steelyard', 'EHR']);
      expect(JSON.stringify(told[0]?.entity)).toContain('Observation/ehr-9');
      expect(told[1]?.agent.map(({ who }) => who?.identifier?.value)).toContain('operator-3');
      const second = await given.store.write((tx) => tx.enqueue(outboxItem('Patient/p2', ['o2'])));
      await given.store.outbox.discard(second, 'charted by hand', given.clock.nowMs(), by);
      expect(await found({ subtypes: [{ value: 'outbox-discard' }] })).toEqual([4]);
    });
  });
}
