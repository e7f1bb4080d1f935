import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { openStore } from '../../src/open-store.ts';
import { MIGRATIONS } from '../../src/store/migrations/all.ts';
import { outboxItem, putWeight } from '../contract/store-samples.ts';
import { sharedPostgres } from '../postgres-setup.ts';
import { passingFolder, steelyard, writeIn } from './command.ts';

const folder = passingFolder();
const clock = { nowMs: () => Date.parse('2026-03-02T08:00:00Z') };

async function emptyDatabase(): Promise<string> {
  const server = await sharedPostgres();
  return server.url(await server.createDatabase());
}

/** The URL without the user and the password, as it may be shown. */
const shown = (url: string): string => url.replace(/\/\/.*@/, '//');

const passwordIn = (url: string): string => new URL(url).password;

describe('steelyard migrate', () => {
  test.each([
    ['an SQLite file', async () => join(folder, 'new.db')],
    ['a PostgreSQL database', emptyDatabase],
  ])('makes the tables in %s, names what it applied, and has nothing to do the second time', async (_what, place) => {
    const database = await place();
    const env = { STEELYARD_DATABASE: database };
    const first = await steelyard(['migrate'], { env });
    expect(first.stdout.split('\n').slice(0, -2)).toEqual(
      MIGRATIONS.map(({ number, name }) => `applied ${String(number).padStart(4, '0')} ${name}`),
    );
    expect(first.stdout).toContain(`${shown(database)} is now up to date.`);
    expect(first).toMatchObject({ exitCode: 0, stderr: '' });
    const second = await steelyard(['migrate'], { env });
    expect(second).toMatchObject({ exitCode: 0, stdout: `${shown(database)} is up to date.\n` });
  });

  test('exits 2 with a reason when a service has the file open, or the database lets nobody in', async () => {
    const file = join(folder, 'in-use.db');
    const service = await openStore(file, { clock });
    const inUse = await steelyard(['migrate'], { env: { STEELYARD_DATABASE: file } });
    expect(inUse.stderr).toContain('another running process has this store open');
    expect(inUse.exitCode).toBe(2);
    await service.close();
    const url = new URL(await emptyDatabase());
    url.password = 'not-to-be-shown';
    const refused = await steelyard(['migrate'], { env: { STEELYARD_DATABASE: url.href } });
    expect(refused.stderr).toContain('does not let this service in');
    expect(refused.stderr + refused.stdout).not.toContain('not-to-be-shown');
    expect(refused.exitCode).toBe(2);
  });
});

describe('steelyard copy', () => {
  test('moves a store to PostgreSQL, says how many rows each table has, and shows no password', async () => {
    const [file, database] = [join(folder, 'ward.db'), await emptyDatabase()];
    const store = await openStore(file, { clock });
    for (const id of ['w1', 'w2']) await putWeight(store, id);
    await store.close();
    const env = { STEELYARD_DATABASE_FILE: writeIn(folder, 'database-url', `${database}\n`) };
    const { exitCode, stdout, stderr } = await steelyard(['copy', file], { env });
    expect(stderr).toBe('');
    expect(stdout).toMatch(/^resource_version +2 rows$/m);
    expect(stdout).toContain(`Copied and compared: ${file} to ${shown(database)}.`);
    expect(stdout).not.toContain(passwordIn(database));
    expect(exitCode).toBe(0);
    const moved = await openStore(database, { clock });
    expect(await moved.read.current('Observation', 'w2')).toBeDefined();
    await moved.close();

    const again = await steelyard(['copy', file, database]);
    expect(again.stderr).toContain('Nothing was copied: the target is not empty');
    expect(again.exitCode).toBe(2);
    const outbox = await steelyard(['outbox', 'list'], { env });
    expect(outbox.stdout).toContain(`0 waiting, 0 parked in ${shown(database)}.`);
    const back = await steelyard(['copy', database, join(folder, 'back.db')]);
    expect(back).toMatchObject({ exitCode: 0, stderr: '' });
  });

  test.each([
    ['a source that is not there', ['nowhere.db', 'to.db'], 'There is no store at nowhere.db'],
    ['an address of another kind', ['mysql://somewhere/ward', 'to.db'], 'a file path, or a postgres:// URL'],
    ['a database that nobody serves', ['postgres://127.0.0.1:9/ward', 'to.db'], 'does not answer'],
  ])('exits 2 for %s, and makes nothing', async (_what, args, sentence) => {
    const { exitCode, stderr } = await steelyard(['copy', ...args]);
    expect(stderr).toContain(sentence);
    expect(exitCode).toBe(2);
    expect(existsSync('to.db')).toBe(false);
  });
});

describe('on PostgreSQL', () => {
  test('audit, outbox, purge and hold work as on a file, and name no user or password', async () => {
    const database = await emptyDatabase();
    const store = await openStore(database, { clock });
    await putWeight(store, 'w1');
    const number = await store.write((tx) => tx.enqueue(outboxItem('Patient/wren-alder', ['w1'])));
    await store.outbox.park(number, 'HTTP 422');
    const env = { STEELYARD_DATABASE: database };
    const commands: readonly (readonly [readonly string[], RegExp])[] = [
      [['audit', 'verify'], /^1 event is as it was written/],
      [['audit', 'head'], /^1:[0-9a-f]{64}$/m],
      [['outbox', 'list'], /0 waiting, 1 parked in postgres:\/\/127\.0\.0\.1/],
      [['outbox', 'retry', '--all', '--dry-run'], new RegExp(`\\b${number}\\b`)],
      [['outbox', 'retry', '--all'], /waits to be sent again/],
      [['outbox', 'distrust'], /^1 waiting or parked item is looked up/],
      [['hold', 'add', 'Patient/wren-alder', '--reason', 'court order 12'], /removed until the hold is released/],
      [['hold', 'list'], /1 on hold/],
      [['purge', '--refusals', '90', '--outbox', '30', '--people', '30', '--audit', '3000'], /left alone: 1 on hold/],
    ];
    for (const [args, said] of commands) {
      const { exitCode, stdout, stderr } = await steelyard(args, { env });
      expect([args.join(' '), exitCode, stdout, stderr]).toEqual([args.join(' '), 0, expect.stringMatching(said), '']);
      expect(stdout).not.toContain(passwordIn(database));
    }
    await store.close();
  });
});

describe('a command that works on a store', () => {
  test.each([
    ['outbox', 'list'],
    ['outbox', 'distrust'],
    ['hold', 'list'],
    ['purge', '--refusals', '90'],
  ])('%s %s makes none in a PostgreSQL database that has none, which may be of a wrong name', async (...command) => {
    const env = { STEELYARD_DATABASE: await emptyDatabase() };
    const { exitCode, stderr } = await steelyard(command, { env });
    expect(stderr).toContain('there is no Steelyard store in this database; see that its name is right');
    expect(exitCode).toBe(2);
    expect((await steelyard(['migrate'], { env })).stdout).toContain('applied 0001');
  });
});
