/**
 * One PostgreSQL for a whole run of tests, started when the first test file asks for it. The asking
 * goes over a loopback port, since test files run in processes of their own.
 */
import { randomUUID } from 'node:crypto';
import { once } from 'node:events';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { inject } from 'vitest';
import type { TestProject } from 'vitest/node';
import { closeAfterFile } from './closing.ts';
import { databasesAt, runOn, startPostgres, type Postgres, type PostgresDatabases } from './postgres.ts';

declare module 'vitest' {
  interface ProvidedContext {
    /** Address at which to ask for the shared server. */
    readonly sharedPostgres: string;
  }
}

/** What vitest runs once before all test files; it returns what ends the server again. */
export default async function setUp(project: TestProject): Promise<() => Promise<void>> {
  let starting: Promise<Postgres> | undefined;
  const desk = createServer((_request, response) => {
    starting ??= startPostgres();
    starting.then(
      (server) => response.end(server.url('')),
      (error: unknown) => response.writeHead(500).end(String(error)),
    );
  });
  desk.listen(0, '127.0.0.1');
  await once(desk, 'listening');
  project.provide('sharedPostgres', `http://127.0.0.1:${(desk.address() as AddressInfo).port}`);
  return async () => {
    desk.close();
    desk.closeAllConnections();
    await (await starting?.catch(() => undefined))?.stop();
  };
}

/** The server that all test files share: never stop or restart it. Throws when it could not be started. */
export async function sharedPostgres(): Promise<PostgresDatabases> {
  const answer = await fetch(inject('sharedPostgres'));
  const text = await answer.text();
  if (!answer.ok) throw new Error(text);
  return databasesAt(text.replace(/\/$/, ''));
}

/** An empty place for one store. */
export interface PassingStore {
  readonly url: string;
  remove(): Promise<void>;
}

let ours: Promise<string> | undefined;

/**
 * A schema of its own, in one database for all tests of a file: made in a tenth of the time that a
 * database takes. All that PostgreSQL shares within a database is shared, such as the writers' lock.
 */
export async function passingStore(): Promise<PassingStore> {
  const server = await sharedPostgres();
  if (ours === undefined) {
    ours = server.createDatabase();
    closeAfterFile(() => {
      ours = undefined;
    });
  }
  const database = server.url(await ours);
  const schema = `place_${randomUUID().replaceAll('-', '')}`;
  await runOn(database, `create schema ${schema}`);
  return {
    url: `${database}?options=${encodeURIComponent(`-c search_path=${schema}`)}`,
    remove: () => runOn(database, `set client_min_messages = error; drop schema ${schema} cascade`),
  };
}
