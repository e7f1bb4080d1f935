/** Exports whose parts are small enough that a test has many of them. */
import { join } from 'node:path';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import Database from 'better-sqlite3';
import { Kysely } from 'kysely';
import { expect, test } from 'vitest';
import { SqlExports } from '../../src/store/exports.ts';
import type { StoreSchema } from '../../src/store/schema.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { ImmediateSqliteDialect } from '../../src/store/sqlite-dialect.ts';
import { WriterQueue } from '../../src/store/writer-queue.ts';
import { SetClock } from '../contract/store-factories.ts';
import { putWeight, search } from '../contract/store-samples.ts';

test('parts share all that there is, each version in one of them, whatever the borders fall on', async () => {
  const folder = mkdtempSync(join(tmpdir(), 'harbourlight-exports-'));
  const path = join(folder, 'ward.db');
  const store = await openSqliteStore(path, { clock: new SetClock() });
  const db = new Kysely<StoreSchema>({ dialect: new ImmediateSqliteDialect(new Database(path)) });
  const queue = new WriterQueue(db);
  const exports = new SqlExports(db, queue, { part: 10, count: 5 });
  for (const count of [1, 10, 11, 47]) {
    await Promise.all(Array.from({ length: count }, (_, at) => putWeight(store, `w${at}`, { held: at % 5 === 4 })));
    const id = `j${count}`;
    let job = await exports.begin(
      { id, request: '', createdMs: 0, expiresMs: 9 },
      { mostPerClient: 9, most: 9 },
      { requestId: 'r', caller: {} },
    );
    const progress: number[] = [];
    while (job !== undefined && job.progress < 1) {
      progress.push(job.progress);
      await exports.advance(id);
      job = await exports.find(id, 1);
    }
    expect(progress).toEqual([...progress].sort((a, b) => a - b));
    if (job === undefined) throw new Error('the job is gone');
    const done = job;
    const parts = await Promise.all(done.counts.map((_, part) => exports.page(done, part, 99)));
    expect(parts.map((part) => part?.resources.length)).toEqual(done.counts);
    const { resources } = await store.read.searchObservations(search({ count: 1000 }));
    expect(parts.flatMap((part) => part?.resources ?? [])).toEqual(resources);
  }
  await queue.close();
  await db.destroy();
  await store.close();
  rmSync(folder, { recursive: true, force: true });
});
