/** What is particular to PostgreSQL: who is let in, what breaks and heals, what is left to the database. */
import { sql } from 'kysely';
import pg from 'pg';
import { afterAll, afterEach, beforeAll, describe, expect, test } from 'vitest';
import { StoreUnavailable, type Store } from '../../src/ports.ts';
import { MIGRATIONS } from '../../src/store/migrations/all.ts';
import { connect, migratePostgres, openPostgresReadOnly, openPostgresStore, type PostgresOptions } from '../../src/store/postgres.ts';
import { SetClock } from '../contract/store-factories.ts';
import { factsOf, observationContent, outboxItem, putWeight, reading, search } from '../contract/store-samples.ts';
import { sharedPostgres } from '../postgres-setup.ts';
import { runOn, startPostgres, type PostgresDatabases } from '../postgres.ts';

let server: PostgresDatabases;
const opened: Store[] = [];

beforeAll(async () => {
  server = await sharedPostgres();
});
afterEach(async () => {
  for (const store of opened.splice(0)) await store.close();
});

const emptyDatabase = async (): Promise<string> => server.url(await server.createDatabase());

async function open(url: string, options: Partial<PostgresOptions> = {}): Promise<Store> {
  const store = await openPostgresStore(url, { clock: new SetClock(), ...options });
  opened.push(store);
  return store;
}

async function rowsOf<Row extends pg.QueryResultRow>(url: string, query: string): Promise<Row[]> {
  const client = new pg.Client({ connectionString: url });
  await client.connect();
  try {
    return (await client.query<Row>(query)).rows;
  } finally {
    await client.end();
  }
}

/** Ends every other connection of that database, as a failover or an administrator does. */
const cutAll = (url: string): Promise<void> =>
  runOn(url, 'select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()');

function withUser(url: string, user: string, password: string): string {
  const changed = new URL(url);
  changed.username = user;
  changed.password = password;
  return changed.href;
}

describe('opening', () => {
  test.each([
    ['a wrong password', 'unreachable', '28P01', (url: string) => withUser(url, 'harbourlight', 'not-to-be-shown')],
    ['no such database', 'unreachable', '3D000', (url: string) => url.replace(/\/ward_\w+$/, '/not-there')],
    ['nobody at that port', 'unreachable', 'ECONNREFUSED', (url: string) => url.replace(/:\d+\//, ':9/')],
  ])('%s is told as a reason without any of the address', async (_what, reason, code, change) => {
    const url = change(await emptyDatabase());
    const failure = await openPostgresStore(url, { clock: new SetClock() }).catch((error: unknown) => error as Error);
    expect(failure).toMatchObject({ name: 'StoreNotOpened', reason });
    const { message } = failure as Error;
    expect(message).toContain(`(${code})`);
    expect(message).not.toContain('not-to-be-shown');
    expect(message).not.toContain('127.0.0.1');
  });

  test('a store of a newer release is left alone, also by those who only look', async () => {
    const url = await emptyDatabase();
    await (await open(url)).close();
    await runOn(url, "insert into migration (number, name, applied_at) values (9999, 'from-the-future', '')");
    await expect(open(url)).rejects.toMatchObject({ reason: 'newer' });
    await expect(openPostgresReadOnly(url)).rejects.toMatchObject({ reason: 'newer' });
  });

  test('a database that does not keep UTF-8 is refused', async () => {
    await runOn(server.url('postgres'), "create database latin encoding 'LATIN1' locale_provider libc locale 'C' template template0");
    await expect(open(server.url('latin'))).rejects.toMatchObject({ reason: 'encoding' });
    await server.dropDatabase('latin');
  });

  test('who only looks makes no tables, and sees what a running replica commits', async () => {
    const url = await emptyDatabase();
    await expect(openPostgresReadOnly(url)).rejects.toMatchObject({ reason: 'unusable' });
    expect(await rowsOf(url, "select 1 from pg_tables where schemaname = 'public'")).toEqual([]);
    const store = await open(url);
    const looking = await openPostgresReadOnly(url);
    await putWeight(store, 'w1');
    expect(await looking.read.current('Observation', 'w1')).toBeDefined();
    await looking.close();
  });

  test('eight replicas that start together on an empty database apply every migration once', async () => {
    const url = await emptyDatabase();
    const stores = await Promise.all(Array.from({ length: 8 }, () => open(url)));
    const applied = await rowsOf<{ number: string }>(url, 'select number from migration order by number');
    expect(applied.map(({ number }) => Number(number))).toEqual(MIGRATIONS.map(({ number }) => number));
    await Promise.all(stores.map((store, at) => putWeight(store, `w${at}`)));
    expect(await stores[0]?.read.countObservations({ includeHeld: true })).toBe(8);
    expect(await migratePostgres(url, 0)).toEqual([]);
  });

  test('a service may run as a user who cannot change tables, once another one has made them', async () => {
    const url = await emptyDatabase();
    await runOn(server.url('postgres'), "create role caller_only login password 'invented'");
    const url2 = withUser(url, 'caller_only', 'invented');
    await expect(open(url2)).rejects.toMatchObject({ reason: 'unusable' });
    await migratePostgres(url, 0);
    await runOn(
      url,
      'grant select, insert, update, delete on all tables in schema public to caller_only; grant usage on all sequences in schema public to caller_only',
    );
    const store = await open(url2);
    await putWeight(store, 'w1');
    await store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['w1'])));
    expect(await store.outbox.claim(Date.now(), 1000, 1)).toHaveLength(1);
    expect(await store.isReady()).toBe(true);
  });
});

describe('what the database must do for us', () => {
  test('a commit is on disk when it is answered, whatever the address or the server says', async () => {
    const url = await emptyDatabase();
    await runOn(url, `alter database ${new URL(url).pathname.slice(1)} set synchronous_commit = off`);
    const db = connect(`${url}?options=${encodeURIComponent('-c synchronous_commit=off')}`, { connections: 1 });
    const { rows } = await sql<{ setting: string }>`select current_setting('synchronous_commit') as setting`.execute(db);
    expect(rows).toEqual([{ setting: 'on' }]);
    await db.destroy();
  });

  test('what reads cannot write', async () => {
    const url = await emptyDatabase();
    await open(url);
    const db = connect(url, { connections: 1, readOnly: true });
    await expect(db.deleteFrom('health').execute()).rejects.toMatchObject({ code: 'ERR_STORE_UNAVAILABLE', cause: { code: '25006' } });
    await db.destroy();
  });

  test('a text that is too long for an index is refused as such, alone, and the rest of its group is stored', async () => {
    const store = await open(await emptyDatabase());
    const noise = Array.from({ length: 9000 }, (_, at) => String.fromCodePoint(0x4e00 + ((at * 7919) % 20_000))).join('');
    const tooLong = { identifiers: [{ system: 'urn:invented', value: noise }] };
    const [before, refused, after] = await Promise.allSettled([
      putWeight(store, 'before'),
      putWeight(store, 'too-long', tooLong),
      putWeight(store, 'after'),
    ]);
    expect(refused).toMatchObject({ status: 'rejected', reason: { code: 'ERR_BAD_VALUE' } });
    expect([before?.status, after?.status]).toEqual(['fulfilled', 'fulfilled']);
    expect(await store.read.countObservations({ includeHeld: true })).toBe(2);
  });

  test('a lease is measured by the clock of the database, not by those of the replicas', async () => {
    const store = await open(await emptyDatabase());
    await store.write((tx) => tx.enqueue(outboxItem('Patient/p1', ['o1'])));
    const aDayAhead = Date.now() + 86_400_000;
    expect(await store.outbox.claim(aDayAhead, 60_000, 1)).toHaveLength(1);
    expect(await store.outbox.claim(aDayAhead + 120_000, 60_000, 1)).toHaveLength(0);
    expect(await store.outbox.discard(1, 'no', aDayAhead + 120_000)).toBe(false);
  });
});

describe('trouble', () => {
  test('a connection that is cut in the middle of a group refuses the group as unavailable, keeps nothing of it, and the next one works', async () => {
    const url = await emptyDatabase();
    const store = await open(url);
    await putWeight(store, 'before');
    const results = await Promise.allSettled([
      putWeight(store, 'a'),
      store.write(async (tx) => {
        await tx.putObservation('b', observationContent('70.0'), factsOf(reading('b', 1)));
        await cutAll(url);
        await tx.putObservation('c', observationContent('70.0'), factsOf(reading('c', 1)));
      }),
      putWeight(store, 'd'),
    ]);
    for (const result of results) expect(result).toMatchObject({ status: 'rejected', reason: { code: 'ERR_STORE_UNAVAILABLE' } });
    await putWeight(store, 'after');
    const { resources } = await store.read.searchObservations(search());
    expect(resources.map(({ id }) => id)).toEqual(['before', 'after']);
  });

  test('idle connections that are cut are made anew, for reading, writing, claiming and the readiness check', async () => {
    const url = await emptyDatabase();
    const store = await open(url);
    await Promise.all([putWeight(store, 'a'), store.read.refusals(1), store.read.refusals(1), store.isReady()]);
    await cutAll(url);
    await runOn(url, 'select pg_sleep(0.05)'); // the news of the cut is on its way
    await putWeight(store, 'b');
    expect(await store.read.current('Observation', 'b')).toBeDefined();
    expect(await store.outbox.claim(0, 1, 1)).toEqual([]);
    expect(await store.isReady()).toBe(true);
  });

  test('who holds the lock and does nothing is cut off by the database; until then nothing is ready, and those who waited are served', async () => {
    const url = await emptyDatabase();
    const store = await open(url);
    const hung = connect(url, { connections: 1 });
    const nothingHappens = new Promise<void>((resolve) => setTimeout(resolve, 4_500));
    let holds: () => void = () => undefined;
    const held = new Promise<void>((resolve) => (holds = resolve));
    const stuck = hung.transaction().execute(async (trx) => {
      await trx.selectFrom('health').select('id').execute();
      holds();
      await nothingHappens;
      await trx.updateTable('health').set({ checks: 99 }).execute();
    });
    const fate = expect(stuck).rejects.toBeInstanceOf(StoreUnavailable);
    await held;
    expect(await store.isReady()).toBe(false);
    expect(await store.outbox.claim(0, 1, 1)).toEqual([]);
    expect((await putWeight(store, 'waited')).version).toBe(1);
    expect(await store.isReady()).toBe(true);
    await fate;
    await hung.destroy();
  });

  test('who waits longer than it may for the lock is refused as unavailable', async () => {
    const url = await emptyDatabase();
    const store = await open(url, { lockTimeoutMs: 50 });
    const holder = connect(url, { connections: 1 });
    await holder.transaction().execute(async () => {
      await expect(putWeight(store, 'a')).rejects.toMatchObject({ code: 'ERR_STORE_UNAVAILABLE', cause: { code: '55P03' } });
    });
    await holder.destroy();
    expect((await putWeight(store, 'a')).version).toBe(1);
  });
});

describe('a server that goes away', () => {
  let own: Awaited<ReturnType<typeof startPostgres>>;
  beforeAll(async () => {
    own = await startPostgres();
  });
  afterAll(() => own.stop());

  test('is told as unavailable by everything, and all is as before when it is back', async () => {
    const store = await open(own.url(await own.createDatabase()));
    await putWeight(store, 'before');
    await own.halt();
    expect(await store.isReady()).toBe(false);
    await expect(putWeight(store, 'meanwhile')).rejects.toBeInstanceOf(StoreUnavailable);
    await expect(store.read.current('Observation', 'before')).rejects.toBeInstanceOf(StoreUnavailable);
    await expect(store.outbox.claim(0, 1, 1)).rejects.toBeInstanceOf(StoreUnavailable);
    await own.restart();
    expect(await store.isReady()).toBe(true);
    await putWeight(store, 'after');
    const { resources } = await store.read.searchObservations(search());
    expect(resources.map(({ id }) => id)).toEqual(['before', 'after']);
  });
});
