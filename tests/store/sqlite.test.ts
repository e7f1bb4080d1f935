/** What is particular to the embedded store: its files, its lock, its refusals. */
import { mkdtempSync, readdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { StoreUnavailable, type Store } from '../../src/ports.ts';
import { MIGRATIONS } from '../../src/store/migrations/all.ts';
import { migrate } from '../../src/store/migrator.ts';
import type { StoreSchema } from '../../src/store/schema.ts';
import { SqlStore } from '../../src/store/sql-store.ts';
import { ImmediateSqliteDialect } from '../../src/store/sqlite-dialect.ts';
import { openSqliteStore, type SqliteOptions } from '../../src/store/sqlite.ts';
import { factsOf, observationContent, outboxItem, putWeight, reading } from '../contract/store-samples.ts';
import { SetClock } from '../contract/store-factories.ts';

let folder: string;
let path: string;
const opened: Store[] = [];

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-sqlite-'));
  path = join(folder, 'ward.db');
});
afterEach(async () => {
  vi.unstubAllEnvs();
  for (const store of opened.splice(0)) await store.close();
  rmSync(folder, { recursive: true, force: true });
});

async function open(options: Partial<SqliteOptions> = {}): Promise<Store> {
  const store = await openSqliteStore(path, { clock: new SetClock(), ...options });
  opened.push(store);
  return store;
}

describe('opening', () => {
  test('nobody but the owner may read any of its files', async () => {
    const store = await open();
    await putWeight(store, 'a1');
    const files = readdirSync(folder);
    expect(files).toEqual(expect.arrayContaining(['ward.db', 'ward.db-wal', 'ward.db.lock']));
    for (const file of files) expect(statSync(join(folder, file)).mode & 0o777, file).toBe(0o600);
  });

  test('a file that others could read is closed to them', async () => {
    writeFileSync(path, '', { mode: 0o644 });
    await open();
    expect(statSync(path).mode & 0o777).toBe(0o600);
  });

  test('a second service is told that the store is in use, until the first has closed it', async () => {
    const first = await open();
    await expect(open()).rejects.toMatchObject({ name: 'StoreNotOpened', reason: 'in-use' });
    await putWeight(first, 'a1');
    await first.close();
    const second = await open();
    expect(await second.read.current('Observation', 'a1')).toBeDefined();
  });

  test('a tool works on the outbox beside the running service', async () => {
    const service = await open();
    const number = await service.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
    await service.outbox.park(number, 'HTTP 422');
    const tool = await open({ exclusive: false });
    expect(await tool.outbox.retry(number, 5)).toBe(true);
    expect(await service.outbox.claim(5, 1000, 5)).toMatchObject([{ number }]);
    const [ours, theirs] = await Promise.all([putWeight(service, 'a'), putWeight(tool, 'b')]);
    expect(new Set([ours.lastUpdated, theirs.lastUpdated]).size).toBe(2);
  });

  test('a store of a newer release is left alone', async () => {
    await (await open()).close();
    const database = new Database(path);
    database.prepare("insert into migration (number, name, applied_at) values (9999, 'from-the-future', '')").run();
    database.close();
    await expect(open()).rejects.toMatchObject({ name: 'StoreNotOpened', reason: 'newer' });
  });

  test.each([
    ['a file that is no store', () => writeFileSync(path, 'weights of the ward, by hand'.repeat(100))],
    ['a folder that does not exist', () => (path = join(folder, 'nowhere', 'ward.db'))],
  ])('%s is refused in words, and the lock given back', async (_what, prepare) => {
    prepare();
    for (let attempt = 0; attempt < 2; attempt += 1)
      await expect(open()).rejects.toMatchObject({ name: 'StoreNotOpened', reason: 'unusable' });
  });

  test.each([2, 5, 9, 14])('a file whose page %i is overwritten is refused as damaged, before anything is served', async (page) => {
    const store = await open();
    for (let count = 0; count < 40; count += 1) await putWeight(store, `a${count}`);
    await store.close();
    const bytes = readFileSync(path);
    bytes.fill(0xa5, (page - 1) * 4096, (page - 1) * 4096 + 512);
    writeFileSync(path, bytes);
    for (let attempt = 0; attempt < 2; attempt += 1)
      await expect(open()).rejects.toMatchObject({ name: 'StoreNotOpened', reason: 'damaged' });
  });

  test('opening again applies no migration twice', async () => {
    await (await open()).close();
    await (await open()).close();
    const database = new Database(path, { readonly: true });
    expect(database.prepare('select number, name from migration').all()).toEqual(MIGRATIONS.map(({ number, name }) => ({ number, name })));
    database.close();
  });

  test('a store from before remembers of its readings whom they were sent for: by whom they are filed', async () => {
    const database = new Database(path);
    const tables = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
    await migrate(tables, MIGRATIONS.slice(0, 1), 0);
    // today's writer gives each version a salt
    database.exec('alter table resource_version add column salt text');
    const store = new SqlStore({ writing: tables, reading: tables, release: () => undefined }, new SetClock());
    await store.write(async (tx) => {
      await tx.putObservation('w1', observationContent('70.0'), factsOf(reading('w1', 1)));
      const { reading: _reading, ...bmi } = factsOf(reading('b1', 1));
      await tx.putObservation('b1', observationContent('24.2'), { ...bmi, of: 'bmi' });
    });
    database.exec('update observation set person_as_sent = null; alter table resource_version drop column salt');
    await store.close();
    const again = await open();
    expect([await again.read.sentAs('w1'), await again.read.sentAs('b1')]).toEqual(['Patient/wren-alder', undefined]);
  });

  test('numbers go on where they were though every row is cleared away and the store restarts', async () => {
    const store = await open();
    const number = await store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
    const before = await putWeight(store, 'a1');
    await store.close();
    const database = new Database(path);
    const seq = database.prepare('select seq from resource_version').pluck().get() as number;
    for (const table of ['outbox_concern', 'outbox_item', 'search_token', 'observation', 'resource_version'])
      database.exec(`delete from ${table}`);
    database.close();
    const again = await open();
    expect(await again.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o2'])))).toBe(number + 1);
    expect(await putWeight(again, 'a1')).toMatchObject({ version: before.version });
    await again.close();
    const reader = new Database(path, { readonly: true });
    expect(reader.prepare('select seq from resource_version').pluck().get()).toBe(seq + 1);
    reader.close();
  });

  test('a store for a test leaves nothing behind', async () => {
    // other tests make folders of theirs in the common one
    vi.stubEnv('TMPDIR', folder);
    const store = await openSqliteStore(':memory:', { clock: new SetClock() });
    await putWeight(store, 'a1');
    expect(await store.read.current('Observation', 'a1')).toBeDefined();
    expect(readdirSync(folder)).toHaveLength(1);
    await store.close();
    await store.close();
    expect(readdirSync(folder)).toEqual([]);
  });
});

describe('while another process holds the file', () => {
  test('every write of the group is refused as unavailable, reads go on, and it recovers by itself', async () => {
    const store = await open({ busyTimeoutMs: 10 });
    await putWeight(store, 'before');
    const intruder = new Database(path);
    intruder.exec('begin immediate');
    const results = await Promise.allSettled(['a', 'b', 'c'].map((id) => putWeight(store, id)));
    for (const result of results) expect(result).toMatchObject({ status: 'rejected', reason: { code: 'ERR_STORE_UNAVAILABLE' } });
    expect(await store.isReady()).toBe(false);
    await expect(store.outbox.claim(0, 1, 1)).rejects.toBeInstanceOf(StoreUnavailable);
    expect(await store.read.countObservations({ includeHeld: true })).toBe(1);
    intruder.exec('rollback');
    intruder.close();
    expect(await store.isReady()).toBe(true);
    await putWeight(store, 'after');
    expect(await store.read.countObservations({ includeHeld: true })).toBe(2);
  });
});

describe('while the disk fails', () => {
  test('a transaction that could not even be rolled back is not committed with the next, and keeps nobody out', async () => {
    const toFail: string[] = [];
    const database = failing(toFail);
    const tables = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
    await migrate(tables, MIGRATIONS, 0);
    const store = new SqlStore({ writing: tables, reading: tables, release: () => undefined }, new SetClock());
    await putWeight(store, 'before');
    toFail.push('commit', 'rollback');
    await expect(putWeight(store, 'lost')).rejects.toBeInstanceOf(StoreUnavailable);
    expect([toFail, database.inTransaction]).toEqual([[], true]);
    await putWeight(store, 'after');
    const held = await store.read.searchObservations({ includeHeld: true, sort: [], count: 10 });
    expect(held.resources.map(({ id }) => id).toSorted()).toEqual(['after', 'before']);
    await store.close();
  });
});

/** A driver of which the next call of each of these statements fails, as on a disk that does not answer; what failed is taken off the list. */
function failing(texts: string[]): Database.Database {
  const database = new Database(path);
  return new Proxy(database, {
    get(target, name) {
      if (name === 'inTransaction') return target.inTransaction;
      if (name === 'close') return () => target.close();
      return (text: string) => {
        const { reader, ...statement } = methodsOf(target.prepare(text));
        const run = (...parameters: unknown[]): unknown => {
          const at = texts.indexOf(text);
          if (at < 0) return statement.run(...parameters);
          texts.splice(at, 1);
          throw new Database.SqliteError('disk I/O error', 'SQLITE_IOERR');
        };
        return { ...statement, reader, run };
      };
    },
  });
}

function methodsOf(statement: Database.Statement) {
  return {
    reader: statement.reader,
    all: (...parameters: unknown[]) => statement.all(...parameters),
    run: (...parameters: unknown[]) => statement.run(...parameters),
    iterate: (...parameters: unknown[]) => statement.iterate(...parameters),
  };
}
