/**
 * Removal for good, on whole lives: two invented people with everything that a store may hold of
 * somebody. Afterwards no row of any table names the one, and every row of the other is as it was.
 */
import { join } from 'node:path';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { createIntake, type Intake } from '../../src/ingest.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import type { KeptStore } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { arrived } from '../arrived.ts';
import { CLOCK, height, weight } from '../measurements.ts';

const SOME = { limit: 1000, dryRun: false };
const LATER = '2026-04-01T00:00:00.000Z';

let folder: string;
let path: string;
let store: KeptStore;
let intake: Intake;
let issued: number;

beforeEach(async () => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-retention-'));
  path = join(folder, 'ward.db');
  store = await openSqliteStore(path, { clock: CLOCK });
  issued = 0;
  intake = createIntake({
    store,
    clock: CLOCK,
    policy: () => DEFAULT_POLICY,
    newId: () => `r${(issued += 1)}`,
    knownBases: [],
    forwards: true,
  });
});
afterEach(async () => {
  await store.close();
  rmSync(folder, { recursive: true, force: true });
});

async function post(observation: object): Promise<string> {
  const { tree, text } = arrived(observation);
  return (await intake.create(tree, text)).resource?.id ?? 'nothing';
}

async function correct(id: string, observation: object): Promise<void> {
  const { tree, text } = arrived({ ...observation, id });
  await intake.correct(id, tree, text, (await store.read.current('Observation', id))?.version ?? 1);
}

async function put(type: 'Patient' | 'Device', resource: { readonly id: string }): Promise<void> {
  await intake.putRegistry(type, resource.id, arrived({ resourceType: type, ...resource }).tree);
}

/** Registered, weighed, measured, corrected, refused, with a chair; all of it at the EHR. */
async function aLifeOf(name: string): Promise<void> {
  const subject = { reference: `Patient/${name}` };
  await put('Patient', { id: name, birthDate: '1980-05-17', identifier: [{ system: 'urn:ward', value: `${name}-mrn` }] } as { id: string });
  await put('Device', { id: `chair-${name}`, patient: subject } as { id: string });
  await post(height('170.0', 'cm', { subject }));
  const id = await post(weight('70.0', 'kg', { subject, identifier: [{ system: 'urn:gateway', value: `${name}-w1` }] }));
  await correct(id, weight('70.5', 'kg', { subject }));
  await post(weight('70.55', 'kg', { subject, effectiveDateTime: '2026-03-02T09:00:00Z' }));
}

async function sendAll(): Promise<void> {
  for (const { number, resources } of await store.outbox.list({ states: ['waiting'], limit: 1000 })) {
    await store.outbox.markSent(
      number,
      resources.map(({ type, id, version }) => ({ type, id, version, reference: `${type}/ehr-${id}` })),
    );
  }
}

/** Every row of every table but the audit's, which keeps its own time, as text. */
function rows(): Record<string, string[]> {
  const database = new Database(path, { readonly: true });
  try {
    const names = database
      .prepare("select name from sqlite_master where type = 'table' and name not like 'sqlite_%' and name not like 'audit_%'")
      .pluck()
      .all() as string[];
    return Object.fromEntries(
      names.map((name) => [
        name,
        database
          .prepare(`select * from "${name}"`)
          .all()
          .map((row) => JSON.stringify(row)),
      ]),
    );
  } finally {
    database.close();
  }
}

describe('removing one person', () => {
  test('leaves no row of any table that names them, and all of everybody else', async () => {
    // Names that no digest or salt can spell: both are hexadecimal.
    await aLifeOf('ben');
    const firstOfZita = issued + 1;
    await aLifeOf('zita');
    await sendAll();
    const before = rows();
    const removal = await store.retention.removePerson('Patient/zita', SOME);
    const after = rows();

    const idsOfZita = Array.from({ length: issued - firstOfZita + 1 }, (_, index) => `r${firstOfZita + index}`);
    const ofZita = new RegExp(`zita|"(?:Observation/)?(?:${idsOfZita.join('|')})"`);
    expect(
      Object.values(before)
        .flat()
        .some((row) => ofZita.test(row)),
    ).toBe(true);
    expect(
      Object.values(after)
        .flat()
        .filter((row) => ofZita.test(row)),
    ).toEqual([]);
    const ofBen = (all: Record<string, string[]>): string[] =>
      Object.values(all)
        .flat()
        .filter((row) => row.includes('ben'));
    expect(ofBen(after)).toEqual(ofBen(before));

    if (removal.kind !== 'removed') throw new Error(removal.kind);
    const lost = Object.entries(before).map(([table, all]) => [table, all.length - (after[table] ?? []).length] as const);
    expect(removal.removed).toEqual(Object.fromEntries(lost.filter(([, number]) => number > 0)));
    expect(Object.keys(removal.removed).sort()).toEqual(
      ['resource_version', 'observation', 'search_token', 'fingerprint', 'refusal', 'outbox_item', 'outbox_concern', 'ehr_copy'].sort(),
    );
  });

  test('leaves the numbers of events that spoke of them, and nothing of what those said', async () => {
    await store.subscriptions.add({ id: 's1', text: '{}', filter: {} }, 9, 0, { requestId: 'q', caller: {} });
    await aLifeOf('ben');
    await aLifeOf('zita');
    await sendAll();
    const events = async () => (await store.subscriptions.events('s1', { to: 99, limit: 99 }, 0))?.events ?? [];
    const before = await events();
    expect(before.some(({ person }) => person === 'Patient/zita')).toBe(true);
    expect((await store.retention.removePerson('Patient/zita', SOME)).kind).toBe('removed');
    const after = await events();
    expect(after.map(({ number }) => number)).toEqual(before.map((_, at) => at + 1));
    const expected = before.map(({ number, at, ...about }) =>
      about.person === 'Patient/zita' ? { number, at } : { number, at, ...about },
    );
    expect(after).toEqual(expected);
  });

  test('a dry run says the same and changes nothing', async () => {
    await aLifeOf('ada');
    await sendAll();
    const before = rows();
    const asked = await store.retention.removePerson('Patient/ada', { dryRun: true });
    expect(rows()).toEqual(before);
    expect(await store.retention.removePerson('Patient/ada', SOME)).toEqual(asked);
  });

  test('is not done while the EHR has not got everything, or a reading waits for a decision', async () => {
    await aLifeOf('ada');
    expect(await store.retention.removePerson('Patient/ada', SOME)).toEqual({ kind: 'unfinished' });
    await post(weight('190.0', 'kg', { subject: { reference: 'Patient/ada' }, effectiveDateTime: '2026-03-02T09:30:00Z' }));
    await sendAll();
    expect(await store.retention.removePerson('Patient/ada', SOME)).toEqual({ kind: 'unfinished' });
  });

  test('is not done while there is a legal hold', async () => {
    await aLifeOf('ada');
    await sendAll();
    await store.retention.hold({ person: 'Patient/ada', reason: 'court order 12', since: '2026-03-02T10:00:00Z' });
    expect(await store.retention.removePerson('Patient/ada', SOME)).toEqual({ kind: 'on-hold' });
    expect(await store.retention.holds()).toEqual([{ person: 'Patient/ada', reason: 'court order 12', since: '2026-03-02T10:00:00Z' }]);
    expect([await store.retention.release('Patient/ada'), await store.retention.release('Patient/ada')]).toEqual([true, false]);
    expect((await store.retention.removePerson('Patient/ada', SOME)).kind).toBe('removed');
  });

  test('lets the person come back as somebody new', async () => {
    await aLifeOf('ada');
    await sendAll();
    await store.retention.removePerson('Patient/ada', SOME);
    await aLifeOf('ada');
    expect(await store.read.readingsOf('Patient/ada')).toHaveLength(2);
    expect((await store.read.standingDerivedOf('Patient/ada')).length).toBeGreaterThan(0);
  });
});

describe('the audit', () => {
  const by = { requestId: 'r-1', caller: { client: 'steelyard-purge', user: 'op' } };
  const events = async (): Promise<string[]> => (await store.audit.search({ count: 100 })).events.map(({ text }) => text);

  test('says of what was removed whose command it was, and nothing of a dry run', async () => {
    await post(weight('70.55'));
    await store.retention.removeRefusals(LATER, { ...SOME, dryRun: true, by });
    const before = await store.audit.head();
    await store.retention.removeRefusals(LATER, { ...SOME, by });
    await store.retention.removeRefusals(LATER, { ...SOME, by });
    const after = await store.audit.head();
    expect(after.number).toBe(before.number + 1);
    const event = (await store.audit.event(`${after.number}`)) ?? (await store.audit.search({ count: 1 })).events[0];
    expect(event?.text).toContain('"code":"removal"');
    expect(event?.text).toContain('steelyard-purge');
  });

  test('loses its oldest events when told to, and what is left still verifies', async () => {
    for (const value of ['70.0', '70.1', '70.2'])
      await post(weight(value, 'kg', { effectiveDateTime: `2026-03-02T0${value.at(-1)}:30:00Z` }));
    expect(await store.retention.removeAudit(CLOCK.nowMs(), SOME)).toEqual({});
    expect(await store.retention.removeAudit(CLOCK.nowMs() + 1, { limit: 2, dryRun: false, by })).toEqual({ audit_event: 2 });
    const { bad, anchor } = await store.audit.verify();
    expect([bad, anchor.number]).toEqual([undefined, 2]);
    expect((await events()).length).toBeGreaterThan(0);
  });
});

describe('removing what is old', () => {
  test('finds people by the last of their readings, in order, a page at a time', async () => {
    for (const name of ['ben', 'ada', 'cyd']) await post(weight('70.0', 'kg', { subject: { reference: `Patient/${name}` } }));
    const lastMs = Date.parse('2026-03-02T08:00:00Z');
    expect(await store.retention.quietPersons(lastMs, 10)).toEqual([]);
    expect(await store.retention.quietPersons(lastMs + 1000, 2)).toEqual(['Patient/ada', 'Patient/ben']);
    expect(await store.retention.quietPersons(lastMs + 1000, 2, 'Patient/ben')).toEqual(['Patient/cyd']);
  });

  test('takes refusals from before an instant, the oldest first and so many at a time', async () => {
    for (const value of ['70.11', '70.12', '70.13']) await post(weight(value));
    expect(await store.retention.removeRefusals('2026-03-02T09:00:00.000Z', SOME)).toEqual({});
    expect(await store.retention.removeRefusals(LATER, { limit: 2, dryRun: true })).toEqual({ refusal: 2 });
    expect(await store.retention.removeRefusals(LATER, { limit: 2, dryRun: false })).toEqual({ refusal: 2 });
    expect((await store.read.refusals(10)).map(({ text }) => text.includes('70.13'))).toEqual([true]);
  });

  test('takes outbox items that are settled, never one that waits or is parked', async () => {
    for (const name of ['ada', 'ben', 'cyd', 'dee']) await post(weight('70.0', 'kg', { subject: { reference: `Patient/${name}` } }));
    const [sent, parked, discarded, waiting] = (await store.outbox.list({ limit: 10 })).map(({ number }) => number) as [
      number,
      number,
      number,
      number,
    ];
    await store.outbox.markSent(sent, []);
    await store.outbox.park(parked, 'HTTP 422');
    await store.outbox.discard(discarded, 'charted by hand', CLOCK.nowMs());
    expect(await store.retention.removeSettledItems(LATER, { limit: 1, dryRun: true })).toMatchObject({ outbox_item: 1 });
    expect(await store.retention.removeSettledItems(LATER, SOME)).toMatchObject({ outbox_item: 2 });
    expect((await store.outbox.list({ limit: 10 })).map(({ number }) => number)).toEqual([parked, waiting]);
  });
});
