/** Moving a store to another database: everything arrives as it was, or nothing does. */
import { createHash } from 'node:crypto';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely, sql } from 'kysely';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { copyStore, migrateStore, openStore } from '../../src/open-store.ts';
import { PRIMARY_KEYS } from '../../src/store/copy.ts';
import { connect } from '../../src/store/postgres.ts';
import type { StoreSchema } from '../../src/store/schema.ts';
import { ImmediateSqliteDialect } from '../../src/store/sqlite-dialect.ts';
import { SetClock } from '../contract/store-factories.ts';
import { factsOf, observationContent, outboxItem, putWeight, reading, search } from '../contract/store-samples.ts';
import { passingStore, type PassingStore } from '../postgres-setup.ts';
import { runOn } from '../postgres.ts';
import { fill } from './filled.ts';

const clock = new SetClock();
let folder: string;
let file: string;
let place: PassingStore;

beforeEach(async () => {
  folder = mkdtempSync(join(tmpdir(), 'harbourlight-copy-'));
  file = join(folder, 'ward.db');
  place = await passingStore();
});
afterEach(async () => {
  await place.remove();
  rmSync(folder, { recursive: true, force: true });
});

async function contentOf(database: string): Promise<Record<string, unknown[]>> {
  const db = database.startsWith('postgres')
    ? connect(database, { connections: 1, readOnly: true })
    : new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(new Database(database, { readonly: true })) });
  const tables: Record<string, unknown[]> = {};
  for (const [table, keys] of Object.entries(PRIMARY_KEYS)) {
    const ordered = sql`select * from ${sql.table(table)} order by ${sql.join(keys.map((key) => sql.ref(key)))}`;
    const { rows } = await ordered.execute(db);
    tables[table] = rows.map((row) =>
      Object.fromEntries(
        Object.entries(row as object)
          .map(([name, value]) => [name, typeof value === 'string' ? value.replaceAll('\u0000', '\u0001') : (value as unknown)] as const)
          .sort(([a], [b]) => (a < b ? -1 : 1)),
      ),
    );
  }
  await db.destroy();
  return tables;
}

const digest = (): string => createHash('sha256').update(readFileSync(file)).digest('hex');

async function filledFile(): Promise<void> {
  const store = await openStore(file, { clock });
  await fill(store);
  await store.close();
}

describe('a copy', () => {
  test('from SQLite to PostgreSQL and back has every row of every table, and leaves the source as it was', async () => {
    await filledFile();
    const before = digest();
    const copied = await copyStore(file, place.url, clock);
    expect(digest()).toBe(before);
    const expected = await contentOf(file);
    expect(await contentOf(place.url)).toEqual(expected);
    expect(Object.fromEntries(copied.map(({ name, rows }) => [name, rows]))).toEqual(
      Object.fromEntries(Object.entries(expected).map(([name, rows]) => [name, rows.length])),
    );
    for (const [name, rows] of Object.entries(expected)) expect(rows.length, name).toBeGreaterThan(0);
    const back = join(folder, 'back.db');
    await copyStore(place.url, back, clock);
    expect(await contentOf(back)).toEqual(expected);
  });

  test.each([
    ['PostgreSQL', () => place.url],
    ['another SQLite file', () => join(folder, 'other.db')],
  ])('on %s goes on where the source stood: numbers, versions, fingerprints, parked items', async (_what, target) => {
    await filledFile();
    const source = new Database(file);
    // numbers that were given are not given again, though their rows are gone
    source.exec("update sqlite_sequence set seq = 900 where name = 'outbox_item'");
    source.close();
    await copyStore(file, target(), clock);
    const store = await openStore(target(), { clock });
    expect(await store.write((tx) => tx.enqueue(outboxItem('Patient/p9', ['w9'])))).toBe(901);
    expect(await putWeight(store, 'w0')).toMatchObject({ version: 3 });
    expect(await store.read.idsByFingerprint(['content', 'Patient/p1', '70'].join('\u0000'))).toEqual(['w0']);
    expect(await store.outbox.list({ states: ['parked'], limit: 9 })).toMatchObject([{ number: 1 }, { number: 2, blockedBy: 1 }]);
    const { resources } = await store.read.searchObservations(search({ count: 2000 }));
    expect(resources.map(({ lastUpdated }) => lastUpdated)).toEqual(resources.map(({ lastUpdated }) => lastUpdated).sort());
    await store.close();
  });

  test('knows every table with its primary key', async () => {
    await migrateStore(file, clock);
    const database = new Database(file, { readonly: true });
    const tables = database
      .prepare("select name from sqlite_schema where type = 'table' and name not like 'sqlite_%'")
      .pluck()
      .all() as string[];
    expect(Object.keys(PRIMARY_KEYS).sort()).toEqual(tables.sort());
    for (const [table, keys] of Object.entries(PRIMARY_KEYS))
      expect(keys, table).toEqual(database.prepare('select name from pragma_table_info(?) where pk > 0 order by pk').pluck().all(table));
    database.close();
  });
});

describe('is refused, and nothing is left of it,', () => {
  test('while a service runs on the source', async () => {
    const service = await openStore(file, { clock });
    await expect(copyStore(file, place.url, clock)).rejects.toMatchObject({ name: 'StoreNotOpened', reason: 'in-use' });
    await service.close();
  });

  test('when the target holds something', async () => {
    await filledFile();
    await migrateStore(place.url, clock);
    await expect(copyStore(file, place.url, clock)).rejects.toMatchObject({ name: 'CopyRefused', message: /not empty/ });
    const other = join(folder, 'other.db');
    writeFileSync(other, 'a list by hand');
    await expect(copyStore(file, other, clock)).rejects.toMatchObject({ name: 'CopyRefused', message: /exists already/ });
    expect(readFileSync(other, 'utf8')).toBe('a list by hand');
  });

  test('when a row cannot be kept by the target', async () => {
    await filledFile();
    const source = new Database(file);
    const noise = Array.from({ length: 9000 }, (_, at) => String.fromCodePoint(0x4e00 + ((at * 7919) % 20_000))).join('');
    source.prepare("insert into search_token (seq, role, system, value) values (1, 'identifier', '', ?)").run(noise);
    source.close();
    await expect(copyStore(file, place.url, clock)).rejects.toThrow('too long');
    await expect(migrateStore(place.url, clock)).resolves.toHaveLength((await contentOf(file))['migration']?.length ?? 0);
  });

  test('when the source is no store, is of another release, or has tables that nobody knows', async () => {
    const target = join(folder, 'other.db');
    writeFileSync(file, 'weights of the ward, by hand'.repeat(100));
    await expect(copyStore(file, target, clock)).rejects.toMatchObject({ reason: 'unusable' });
    rmSync(file);
    await migrateStore(file, clock);
    const source = new Database(file);
    source.exec('create table by_hand (x)');
    await expect(copyStore(file, target, clock)).rejects.toThrow('by_hand');
    source.exec('drop table by_hand; delete from migration where number > 1');
    source.close();
    await expect(copyStore(file, target, clock)).rejects.toMatchObject({ reason: 'older' });
    expect(existsSync(target)).toBe(false);
  });

  test('when a row is changed in the source while it is copied', async () => {
    const store = await openStore(place.url, { clock });
    await store.write((tx) => tx.putObservation('w1', observationContent('70.0'), factsOf(reading('w1', 1))));
    await store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['w1'])));
    await store.close();
    // a view that says something else each time stands for a row that changes between two looks
    await runOn(
      place.url,
      `create schema aside; alter table outbox_item set schema aside;
       create view outbox_item as select number, person, state, (extract(epoch from clock_timestamp()) * 1e6)::bigint as tries,
         due_ms, leased_until_ms, reason, blocked_by, queued_at, resources from aside.outbox_item`,
    );
    const target = join(folder, 'other.db');
    await expect(copyStore(place.url, target, clock)).rejects.toThrow('the copy of table outbox_item differs');
    expect(existsSync(target)).toBe(false);
    await runOn(place.url, 'set client_min_messages = error; drop schema aside cascade');
  });
});
