/** Group commit on a disk that fails: nothing is answered that is not stored, nothing is half there. */
import Database from 'better-sqlite3';
import { Kysely, sql } from 'kysely';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { StoreUnavailable, type Commit } from '../../src/ports.ts';
import { MIGRATIONS } from '../../src/store/migrations/all.ts';
import { migrate } from '../../src/store/migrator.ts';
import type { StoreSchema } from '../../src/store/schema.ts';
import { ImmediateSqliteDialect } from '../../src/store/sqlite-dialect.ts';
import { WriterQueue } from '../../src/store/writer-queue.ts';

let database: Database.Database;
let db: Kysely<StoreSchema>;
let queue: WriterQueue;

beforeEach(async () => {
  database = new Database(':memory:');
  db = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(database) });
  await migrate(db, MIGRATIONS, 0);
  queue = new WriterQueue(db);
});
afterEach(() => db.destroy());

async function insert(into: Kysely<StoreSchema>, id: string, content = 'text'): Promise<void> {
  await into.insertInto('refusal').values({ id, received_at: 'now', content, outcome: '{}' }).execute();
}

function storedIds(): unknown[] {
  return database.prepare('select id from refusal order by number').pluck().all();
}

describe('group commit', () => {
  test('many units that wait together share a few transactions', async () => {
    let begun = 0;
    const counting = new Proxy(database, {
      get(target, name) {
        if (name === 'prepare') return (text: string) => (/^begin/.test(text) ? countRuns(target.prepare(text)) : target.prepare(text));
        const value: unknown = Reflect.get(target, name, target);
        return typeof value === 'function' ? value.bind(target) : value;
      },
    });
    const countRuns = (statement: Database.Statement) =>
      new Proxy(statement, {
        get(target, name) {
          if (name === 'run') begun += 1;
          const value: unknown = Reflect.get(target, name, target);
          return typeof value === 'function' ? value.bind(target) : value;
        },
      });
    const counted = new WriterQueue(new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(counting) }));
    await Promise.all(Array.from({ length: 130 }, (_, at) => counted.run((trx) => insert(trx, `r${at}`))));
    expect(begun).toBe(3);
    expect(storedIds()).toHaveLength(130);
  });

  test('tells how many units each commit held, and of the one that failed', async () => {
    const heard: Pick<Commit, 'units' | 'isStored'>[] = [];
    queue.onCommit(({ units, isStored, durationMs }) => heard.push({ units: durationMs > 0 ? units : 0, isStored }));
    const three = Promise.all(['a', 'b', 'c'].map((id) => queue.run((trx) => insert(trx, id))));
    expect(queue.waiting).toBe(3);
    await three;
    expect(queue.waiting).toBe(0);
    database.pragma('query_only = ON');
    await expect(queue.run((trx) => insert(trx, 'd'))).rejects.toBeInstanceOf(StoreUnavailable);
    expect(heard).toEqual([
      { units: 3, isStored: true },
      { units: 1, isStored: false },
    ]);
  });

  test('a full disk refuses what does not fit as unavailable, keeps what was stored, and recovers', async () => {
    await queue.run((trx) => insert(trx, 'before'));
    const pages = database.pragma('page_count', { simple: true }) as number;
    database.pragma(`max_page_count = ${pages + 2}`);
    const big = 'x'.repeat(100_000);
    await expect(queue.run((trx) => insert(trx, 'too-big', big))).rejects.toBeInstanceOf(StoreUnavailable);
    expect(storedIds()).toEqual(['before']);
    database.pragma('max_page_count = 100000');
    await queue.run((trx) => insert(trx, 'after', big));
    expect(storedIds()).toEqual(['before', 'after']);
  });

  test('a disk that has become read-only refuses as unavailable', async () => {
    database.pragma('query_only = ON');
    await expect(queue.run((trx) => insert(trx, 'a'))).rejects.toMatchObject({
      code: 'ERR_STORE_UNAVAILABLE',
      cause: { code: 'SQLITE_READONLY' },
    });
    database.pragma('query_only = OFF');
    await queue.run((trx) => insert(trx, 'b'));
    expect(storedIds()).toEqual(['b']);
  });

  test('a mistake in a unit comes out as what it is', async () => {
    await queue.run((trx) => insert(trx, 'a'));
    const again = queue.run((trx) => insert(trx, 'a'));
    await expect(again).rejects.toMatchObject({ code: 'SQLITE_CONSTRAINT_UNIQUE' });
  });

  test('when the database drops the transaction midway, the whole group is refused and nothing is stored', async () => {
    const results = await Promise.allSettled([
      queue.run((trx) => insert(trx, 'a')),
      queue.run(async (trx) => {
        await insert(trx, 'b');
        await sql`rollback`.execute(trx);
        // outside a transaction this would be stored at once, without its other half
        await insert(trx, 'c').catch(() => undefined);
      }),
      queue.run((trx) => insert(trx, 'd')),
    ]);
    for (const result of results) expect(result).toMatchObject({ status: 'rejected', reason: { code: 'ERR_STORE_UNAVAILABLE' } });
    expect(storedIds()).toEqual([]);
    await queue.run((trx) => insert(trx, 'e'));
    expect(storedIds()).toEqual(['e']);
  });

  test('a commit that fails refuses the whole group', async () => {
    // a deferred foreign key is looked at by COMMIT only
    database.pragma('foreign_keys = ON');
    database.exec('create table later (seq integer references resource_version (seq) deferrable initially deferred)');
    const results = await Promise.allSettled([
      queue.run((trx) => insert(trx, 'a')),
      queue.run((trx) => sql`insert into later (seq) values (77)`.execute(trx)),
    ]);
    for (const result of results) expect(result).toMatchObject({ status: 'rejected', reason: { code: 'ERR_STORE_UNAVAILABLE' } });
    expect(storedIds()).toEqual([]);
  });
});

describe('migrating', () => {
  test('a step that fails leaves the store as it was', async () => {
    const broken = {
      number: MIGRATIONS.length + 1,
      name: 'broken',
      statements: ['create table half (id integer primary key)', 'create nonsense'],
    };
    await expect(migrate(db, [...MIGRATIONS, broken], 0)).rejects.toThrow('syntax error');
    expect(database.prepare("select name from sqlite_master where name = 'half'").all()).toEqual([]);
    expect(database.prepare('select number from migration').pluck().all()).toEqual(MIGRATIONS.map(({ number }) => number));
  });

  test('only what is missing is applied', async () => {
    const next = { number: MIGRATIONS.length + 1, name: 'next', statements: ['create table next (id integer primary key)'] };
    await migrate(db, [...MIGRATIONS, next], 0);
    await migrate(db, [...MIGRATIONS, next], 0);
    expect(database.prepare('select number, name from migration order by number').all()).toEqual(
      [...MIGRATIONS, next].map(({ number, name }) => ({ number, name })),
    );
  });

  test('every migration has the number of its place', () => {
    expect(MIGRATIONS.map(({ number }) => number)).toEqual(MIGRATIONS.map((_, at) => at + 1));
  });
});
