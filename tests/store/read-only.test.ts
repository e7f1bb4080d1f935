import { createHash } from 'node:crypto';
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { openSqliteReadOnly } from '../../src/store/read-only.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { SetClock } from '../contract/store-factories.ts';
import { putWeight } from '../contract/store-samples.ts';

let folder: string;
let path: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-read-only-'));
  path = join(folder, 'ward.db');
});
afterEach(() => rmSync(folder, { recursive: true, force: true }));

const digest = (): string => createHash('sha256').update(readFileSync(path)).digest('hex');

async function closedStore(): Promise<void> {
  const store = await openSqliteStore(path, { clock: new SetClock() });
  await putWeight(store, 'w1');
  await store.close();
}

function change(statement: string): void {
  const database = new Database(path);
  database.exec(statement);
  database.close();
}

describe('a store that is opened to be read', () => {
  test('shows what a running service has committed, also after it was opened', async () => {
    const service = await openSqliteStore(path, { clock: new SetClock() });
    await putWeight(service, 'w1');
    const { read, ...opened } = await openSqliteReadOnly(path);
    expect(await read.current('Observation', 'w1')).toBeDefined();
    await putWeight(service, 'w2');
    expect(await read.current('Observation', 'w2')).toBeDefined();
    await opened.close();
    await putWeight(service, 'w3');
    await service.close();
  });

  test('stays byte for byte as it was, and can be opened by a service afterwards', async () => {
    await closedStore();
    const before = digest();
    const { read, ...opened } = await openSqliteReadOnly(path);
    expect(await read.personsWithReadings(10)).toHaveLength(1);
    await opened.close();
    expect(digest()).toBe(before);
    await closedStore();
  });

  test.each([
    ['newer', "insert into migration (number, name, applied_at) values (1000, 'x', '')"],
    ['older', 'delete from migration'],
    ['unusable', 'drop table migration'],
  ])('is refused as %s when its tables are not those of this release, and left alone', async (reason, statement) => {
    await closedStore();
    change(statement);
    const before = digest();
    await expect(openSqliteReadOnly(path)).rejects.toMatchObject({ name: 'StoreNotOpened', reason });
    expect(digest()).toBe(before);
  });

  test('is neither made where there is none nor made of another file', async () => {
    await expect(openSqliteReadOnly(path)).rejects.toMatchObject({ reason: 'unusable' });
    expect(existsSync(path)).toBe(false);
    writeFileSync(path, 'no store, but a text that is long enough for a header of a hundred bytes'.repeat(20));
    await expect(openSqliteReadOnly(path)).rejects.toMatchObject({ reason: 'unusable' });
  });
});
