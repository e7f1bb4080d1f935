/** Whoever can write to the database file alters the audit by hand: the first bad row is named. */
import { copyFileSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import fc from 'fast-check';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import type { AuditPlace, AuditVerdict } from '../../src/ports.ts';
import { recordOf } from '../../src/store/audit-row.ts';
import { openSqliteReadOnly } from '../../src/store/read-only.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { readEvent } from '../contract/suites/audit.ts';
import { SetClock } from '../contract/store-factories.ts';

const EVENTS = 12;
let folder: string;
let sound: string;
let noted: AuditPlace;

beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-audit-'));
  sound = join(folder, 'sound.db');
  const store = await openSqliteStore(sound, { clock: new SetClock() });
  await store.write(async (tx) => {
    for (let at = 1; at <= EVENTS; at += 1)
      await tx.addAudit(readEvent(at, at % 2 ? {} : { caller: { client: 'review', user: 'nurse-7' }, event: 'decide' }));
  });
  noted = await store.audit.head();
  await store.close();
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

async function afterTampering(tamper: (database: Database.Database) => void, expectation?: AuditPlace): Promise<AuditVerdict> {
  const path = join(folder, 'tampered.db');
  for (const end of ['', '-wal', '-shm']) rmSync(`${path}${end}`, { force: true });
  copyFileSync(sound, path);
  const database = new Database(path);
  tamper(database);
  database.close();
  const opened = await openSqliteReadOnly(path);
  try {
    return await opened.audit.verify(expectation);
  } finally {
    await opened.close();
  }
}

const run = (statement: string) => (database: Database.Database) => void database.exec(statement);

/** Writes rows anew from `first` on, the way somebody would who knows how the chain is made. */
function rewriteFrom(database: Database.Database, first: number, last: number): void {
  const before = database.prepare('select hash from audit_event where number = ?').get(first - 1) as { hash: string };
  let hash = before.hash;
  for (let number = first; number <= last; number += 1) {
    const { content } = database.prepare('select content from audit_event where number = ?').get(number) as { content: string };
    const changed = number === first ? content.replace('Patient/', 'Patient/another-') : content;
    const { row } = recordOf(number, changed, hash);
    database
      .prepare('update audit_event set content = ?, previous_hash = ?, hash = ? where number = ?')
      .run(changed, hash, row.hash, number);
    database.prepare('delete from audit_reference where number = ?').run(number);
    for (const reference of recordOf(number, changed, hash).references)
      database.prepare('insert into audit_reference (number, reference) values (?, ?)').run(number, reference);
    hash = row.hash;
  }
  if (last === EVENTS) database.prepare("update audit_place set hash = ? where name = 'head'").run(hash);
}

const SWAP = `update audit_event set number = -1 where number = 5; update audit_event set number = 5 where number = 8;
  update audit_event set number = 8 where number = -1;
  update audit_reference set number = -1 where number = 5; update audit_reference set number = 5 where number = 8;
  update audit_reference set number = 8 where number = -1;`;

describe('a store whose audit was changed by hand', () => {
  test('is sound before', async () => {
    expect(await afterTampering(() => undefined, noted)).toMatchObject({ verified: EVENTS, head: noted });
  });

  test.each([
    [
      'a name in a content',
      "update audit_event set content = replace(content, 'ward-gateway', 'somebody-else') where number = 7",
      7,
      'altered',
    ],
    ['a content that is no JSON now', "update audit_event set content = 'x' where number = 7", 7, 'altered'],
    ['a column that is searched by', 'update audit_event set client = null where number = 4', 4, 'altered'],
    ['a reference that is gone', "delete from audit_reference where number = 6 and reference like 'Patient/%'", 6, 'altered'],
    ['a reference that was added', "insert into audit_reference (number, reference) values (6, 'Patient/else')", 6, 'altered'],
    ['a row that was removed', 'delete from audit_reference where number = 9; delete from audit_event where number = 9', 9, 'removed'],
    ['the first rows', 'delete from audit_reference where number < 3; delete from audit_event where number < 3', 1, 'removed'],
    [
      'the last row',
      `delete from audit_reference where number = ${EVENTS}; delete from audit_event where number = ${EVENTS}`,
      EVENTS,
      'removed',
    ],
    ['every row', 'delete from audit_reference; delete from audit_event', 1, 'removed'],
    ['two rows that were exchanged', SWAP, 5, 'out-of-order'],
    [
      'a row behind the head',
      `insert into audit_event select 20, recorded_ms, action, outcome, interaction, event, client, user_id, content, previous_hash, hash from audit_event where number = 3`,
      EVENTS + 1,
      'inserted',
    ],
    [
      'a row before the first',
      `insert into audit_event select -3, recorded_ms, action, outcome, interaction, event, client, user_id, content, previous_hash, hash from audit_event where number = 3`,
      -3,
      'inserted',
    ],
    ['the head', `update audit_place set hash = '${'0'.repeat(64)}' where name = 'head'`, EVENTS, 'rewritten'],
    ['the anchor', `update audit_place set hash = '${'1'.repeat(64)}' where name = 'anchor'`, 1, 'rewritten'],
  ] as const)('is found out: %s', async (_what, statement, number, fault) => {
    const verdict = await afterTampering((database) => {
      database.pragma('foreign_keys = OFF');
      run(statement)(database);
    });
    expect(verdict.bad).toEqual({ number, fault });
  });

  test('is found out when rows were written anew together with their hashes', async () => {
    expect((await afterTampering((database) => rewriteFrom(database, 6, 6))).bad).toEqual({ number: 6, fault: 'rewritten' });
  });

  test('is found out by a head that was noted elsewhere when all to the end was written anew', async () => {
    const rewritten = (database: Database.Database): void => rewriteFrom(database, 6, EVENTS);
    expect((await afterTampering(rewritten)).bad).toBeUndefined();
    expect((await afterTampering(rewritten, noted)).bad).toEqual({ number: EVENTS, fault: 'not-as-noted' });
  });

  test('is found out whatever single field was changed, at that row or the one before it', async () => {
    const column = fc.constantFrom(
      'recorded_ms',
      'action',
      'outcome',
      'interaction',
      'event',
      'client',
      'user_id',
      'content',
      'previous_hash',
      'hash',
    );
    await fc.assert(
      fc.asyncProperty(
        column,
        fc.integer({ min: 1, max: EVENTS }),
        fc.string({ maxLength: 80 }),
        fc.nat(2 ** 40),
        async (name, number, text, amount) => {
          let isChanged = false;
          const verdict = await afterTampering((database) => {
            const value = name === 'recorded_ms' ? amount : text;
            const { before } = database.prepare(`select ${name} as before from audit_event where number = ?`).get(number) as {
              before: unknown;
            };
            isChanged = before !== value;
            database.prepare(`update audit_event set ${name} = ? where number = ?`).run(value, number);
          });
          expect(verdict.bad).toEqual(isChanged ? { number, fault: 'altered' } : undefined);
        },
      ),
      { numRuns: 120 },
    );
  });

  test('is found out whatever single character of a content was changed', async () => {
    await fc.assert(
      fc.asyncProperty(fc.integer({ min: 1, max: EVENTS }), fc.nat(), async (number, seed) => {
        const verdict = await afterTampering((database) => {
          const { content } = database.prepare('select content from audit_event where number = ?').get(number) as { content: string };
          const at = seed % content.length;
          const changed = content.slice(0, at) + (content[at] === '1' ? '2' : '1') + content.slice(at + 1);
          database.prepare('update audit_event set content = ? where number = ?').run(changed, number);
        });
        expect(verdict.bad).toEqual({ number, fault: 'altered' });
      }),
      { numRuns: 60 },
    );
  });
});
