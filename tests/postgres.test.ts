/** The server that tests of the PostgreSQL store rest on. */
import pg from 'pg';
import { expect, test } from 'vitest';
import { sharedPostgres } from './postgres-setup.ts';
import { startPostgres } from './postgres.ts';

async function ask(url: string, statement: string): Promise<unknown[]> {
  const client = new pg.Client({ connectionString: url });
  await client.connect();
  try {
    return (await client.query<Record<string, unknown>>(statement)).rows.flatMap((row) => Object.values(row));
  } finally {
    await client.end();
  }
}

test('a database that all test files may use is empty, and gone after it was dropped', async () => {
  const server = await sharedPostgres();
  const database = await server.createDatabase();
  expect(await ask(server.url(database), 'select count(*)::int from pg_tables where schemaname = current_schema()')).toEqual([0]);
  await server.dropDatabase(database);
  await expect(ask(server.url(database), 'select 1')).rejects.toMatchObject({ code: '3D000' });
});

test('a server of one test keeps what was committed when it is stopped as in a crash', async () => {
  const server = await startPostgres();
  const url = server.url(await server.createDatabase());
  await ask(url, 'create table kept (id int)');
  await server.halt();
  await expect(ask(url, 'select 1')).rejects.toMatchObject({ code: 'ECONNREFUSED' });
  await server.restart();
  expect(await ask(url, 'select count(*)::int from kept')).toEqual([0]);
  await server.stop();
  await expect(ask(url, 'select 1')).rejects.toMatchObject({ code: 'ECONNREFUSED' });
});
