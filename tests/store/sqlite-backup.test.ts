import { copyFileSync, existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, statSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type { KeptStore } from '../../src/ports.ts';
import { toAuditEvent } from '../../src/core/audit/event.ts';
import { settleRestored } from '../../src/restored.ts';
import { backupSqlite, BackupRefused, inspectCopy, restoreSqlite } from '../../src/store/sqlite-backup.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { StoreNotOpened } from '../../src/store/store-not-opened.ts';
import { SetClock } from '../contract/store-factories.ts';
import { outboxItem, putWeight } from '../contract/store-samples.ts';

const TAKEN_AT = '2026-03-14T08:30:00.000Z';
const NOW = '2026-03-15T08:30:00.000Z';

let folder: string;
let path: string;
let copy: string;

beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-backup-'));
  path = join(folder, 'ward.db');
  copy = join(folder, 'copy.db');
});
afterEach(() => rmSync(folder, { recursive: true, force: true }));

async function withStore<Result>(at: string, use: (store: KeptStore) => Promise<Result>): Promise<Result> {
  const store = await openSqliteStore(at, { clock: new SetClock() });
  try {
    return await use(store);
  } finally {
    await store.close();
  }
}

async function aWard(store: KeptStore): Promise<void> {
  for (const id of ['w1', 'w2', 'w3']) await putWeight(store, id);
  for (const id of ['w1', 'w2', 'w3']) await store.write((tx) => tx.enqueue(outboxItem('Patient/a', [id])));
  const [first] = await store.outbox.claim(Date.parse('2026-03-14T08:00:00Z'), 1, 1);
  if (first) await store.outbox.markSent(first.number, []);
}

describe('a backup', () => {
  test('is the store of one moment, taken while a service writes on', async () => {
    await withStore(path, async (service) => {
      await aWard(service);
      const writing = (async () => {
        for (let index = 0; index < 50; index++) await putWeight(service, `later-${index}`);
      })();
      const report = backupSqlite(path, copy, TAKEN_AT);
      await writing;
      expect(report).toMatchObject({ takenAt: TAKEN_AT, unsent: 2 });
      expect(report.observations).toBeGreaterThanOrEqual(3);
      expect(report).toEqual(inspectCopy(copy));
      expect(await service.marks.readMark('backup-taken-at')).toBeUndefined();
    });
    await withStore(copy, async (restored) => {
      expect(await restored.read.current('Observation', 'w3')).toBeDefined();
      await putWeight(restored, 'after');
    });
  });

  test('is one file that only its owner may read, and leaves nothing else behind', async () => {
    await withStore(path, aWard);
    const before = readdirSync(folder);
    backupSqlite(path, copy, TAKEN_AT);
    const ofTheStore = (name: string): boolean => before.includes(name) || name === 'ward.db-wal' || name === 'ward.db-shm';
    expect(readdirSync(folder).filter((name) => !ofTheStore(name))).toEqual(['copy.db']);
    expect(statSync(copy).mode & 0o777).toBe(0o600);
  });

  test('never replaces a file, and is not made of something that is no store', async () => {
    await withStore(path, aWard);
    writeFileSync(copy, 'what was here before');
    expect(() => backupSqlite(path, copy, TAKEN_AT)).toThrow(BackupRefused);
    expect(readFileSync(copy, 'utf8')).toBe('what was here before');
    expect(() => backupSqlite(copy, join(folder, 'another.db'), TAKEN_AT)).toThrow(StoreNotOpened);
    expect(() => backupSqlite(join(folder, 'none.db'), join(folder, 'another.db'), TAKEN_AT)).toThrow(StoreNotOpened);
    expect(existsSync(join(folder, 'none.db')) || existsSync(join(folder, 'another.db'))).toBe(false);
  });

  test('does not hold what was removed from the store', async () => {
    await withStore(path, async (service) => {
      await service.write((tx) => tx.addRefusal({ id: 'x1', receivedAt: '2026-01-01T00:00:00.000Z', text: 'MARKEDNAME', outcome: '{}' }));
      await service.retention.removeRefusals('2026-02-01T00:00:00.000Z', { limit: 10, dryRun: false });
    });
    backupSqlite(path, copy, TAKEN_AT);
    expect(readFileSync(copy).includes('MARKEDNAME')).toBe(false);
    expect(readFileSync(path).includes('MARKEDNAME')).toBe(false);
  });
});

describe('restoring a backup', () => {
  beforeEach(async () => {
    await withStore(path, aWard);
    backupSqlite(path, copy, TAKEN_AT);
    await withStore(path, (store) => putWeight(store, 'since-then'));
  });

  test('is refused while a service runs on the store, and over a store unless that is asked for', async () => {
    expect(() => restoreSqlite(copy, path, { replace: false, now: NOW })).toThrow(/already/);
    await withStore(path, () => {
      expect(() => restoreSqlite(copy, path, { replace: true, now: NOW })).toThrow(StoreNotOpened);
      return Promise.resolve();
    });
    await withStore(path, async (store) => expect(await store.read.current('Observation', 'since-then')).toBeDefined());
  });

  test('keeps the store that was there, with its log, under a name of its own', async () => {
    writeFileSync(`${path}-wal`, '');
    const { report, keptAs } = restoreSqlite(copy, path, { replace: true, now: NOW });
    expect(report.takenAt).toBe(TAKEN_AT);
    expect(keptAs).toBe(`${path}.before-20260315T083000Z`);
    expect(existsSync(`${path}-wal`)).toBe(false);
    await withStore(path, async (store) => expect(await store.read.current('Observation', 'since-then')).toBeUndefined());
    await withStore(String(keptAs), async (store) => expect(await store.read.current('Observation', 'since-then')).toBeDefined());
  });

  describe('when the service was killed, so that what it took in last is in its log only', () => {
    let killed: string;
    beforeEach(async () => {
      killed = join(folder, 'killed.db');
      await withStore(path, async (store) => {
        await putWeight(store, 'taken-last');
        for (const side of ['', '-wal']) copyFileSync(path + side, killed + side);
      });
    });

    const has = (at: string, id: string): Promise<boolean> =>
      withStore(at, async (store) => (await store.read.current('Observation', id)) !== undefined);

    test('keeps all of that in the one file that is set aside', async () => {
      const { keptAs } = restoreSqlite(copy, killed, { replace: true, now: NOW });
      expect(readdirSync(folder).filter((name) => name.endsWith('-wal'))).toEqual([]);
      expect([await has(String(keptAs), 'taken-last'), await has(killed, 'taken-last'), await has(killed, 'w1')]).toEqual([
        true,
        false,
        true,
      ]);
    });

    test('changes nothing while somebody reads that store', () => {
      const reader = new Database(killed, { readonly: true });
      reader.exec('begin; select * from mark');
      expect(() => restoreSqlite(copy, killed, { replace: true, now: NOW })).toThrow(/reads the store/);
      expect(readdirSync(folder).filter((name) => /before|partial/.test(name))).toEqual([]);
      reader.close();
      expect(restoreSqlite(copy, killed, { replace: true, now: NOW }).keptAs).toBeDefined();
    });

    test('does not read the log of a store that is gone into the new one', async () => {
      rmSync(killed);
      const { keptAs } = restoreSqlite(copy, killed, { replace: false, now: NOW });
      expect(keptAs).toBeUndefined();
      expect(existsSync(`${killed}.before-20260315T083000Z-wal`)).toBe(true);
      expect([await has(killed, 'taken-last'), await has(killed, 'since-then'), await has(killed, 'w1')]).toEqual([false, false, true]);
    });

    test('sets a store that is too damaged to be opened aside with its log', async () => {
      writeFileSync(killed, 'no store at all');
      const { keptAs } = restoreSqlite(copy, killed, { replace: true, now: NOW });
      expect(readFileSync(String(keptAs), 'utf8')).toBe('no store at all');
      expect(await has(killed, 'w1')).toBe(true);
    });
  });

  test('makes the next start look up everything that is not sent, once', async () => {
    const elsewhere = join(folder, 'moved.db');
    restoreSqlite(copy, elsewhere, { replace: false, now: NOW });
    await withStore(elsewhere, async (store) => {
      expect(await settleRestored(store, Date.parse(NOW))).toEqual({ takenAt: TAKEN_AT, distrusted: 2 });
      expect(await settleRestored(store, Date.parse(NOW))).toBeUndefined();
      expect(await store.marks.readMark('restored-at')).toBe(NOW);
      const unsent = await store.outbox.list({ states: ['waiting', 'parked'], limit: 10 });
      expect(unsent.map(({ tries }) => tries)).toEqual([1, 1]);
    });
  });

  test('signs out everybody who was signed in when the copy was taken: they may have signed out since', async () => {
    const elsewhere = join(folder, 'moved.db');
    restoreSqlite(copy, elsewhere, { replace: false, now: NOW });
    await withStore(elsewhere, async (store) => {
      const at = Date.parse(NOW);
      await store.sessions.open(
        { digest: 'd', issuer: 'https://id.example', subject: 's', roles: [], createdMs: at, usedMs: at, expiresMs: at + 1 },
        toAuditEvent({ recordedMs: at, event: 'sign-in', outcome: 'success' }),
      );
      await settleRestored(store, at);
      expect(await store.sessions.find('d')).toBeUndefined();
    });
  });

  test('never puts a damaged copy, or a store that is no backup, in place', async () => {
    const damaged = readFileSync(copy);
    damaged.fill(0x7f, Math.floor(damaged.length / 2), Math.floor(damaged.length / 2) + 4096);
    writeFileSync(copy, damaged);
    const elsewhere = join(folder, 'moved.db');
    expect(() => restoreSqlite(copy, elsewhere, { replace: false, now: NOW })).toThrow(/damaged|cannot be opened/);
    expect(() => restoreSqlite(path, elsewhere, { replace: false, now: NOW })).toThrow(/no backup/);
    expect(existsSync(elsewhere)).toBe(false);
  });

  test('refuses the backup of a newer release', () => {
    const database = new Database(copy);
    database.exec("insert into migration (number, name, applied_at) values (1000, 'x', '')");
    database.close();
    expect(() => restoreSqlite(copy, join(folder, 'moved.db'), { replace: false, now: NOW })).toThrow(/newer release/);
  });
});
