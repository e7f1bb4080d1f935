import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { AuditPatrol } from '../src/audit-patrol.ts';
import { toAuditEvent } from '../src/core/audit/event.ts';
import type { KeptStore } from '../src/ports.ts';
import { openSqliteStore } from '../src/store/sqlite.ts';
import { CLOCK } from './measurements.ts';

/** More than two pages of the chain. */
const EVENTS = 1_200;

let folder: string;
let store: KeptStore;
let broken: { readonly number: number }[];
let patrol: AuditPatrol;

async function add(events: number): Promise<void> {
  await store.write(async (tx) => {
    for (let index = 0; index < events; index++)
      await tx.addAudit(toAuditEvent({ recordedMs: CLOCK.nowMs() + index, event: 'start', outcome: 'success' }));
  });
}

function tamper(statement: string): void {
  const database = new Database(join(folder, 'ward.db'));
  database.exec(statement);
  database.close();
}

async function rounds(pages: number): Promise<void> {
  for (let page = 0; page < pages; page++) await patrol.goOn();
}

beforeEach(async () => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-patrol-'));
  store = await openSqliteStore(join(folder, 'ward.db'), { clock: CLOCK });
  broken = [];
  patrol = new AuditPatrol(store.audit, {
    auditBroken: (bad) => void broken.push(bad),
    fault: (error) => {
      throw error;
    },
  });
  await add(EVENTS);
});
afterEach(async () => {
  await store.close();
  rmSync(folder, { recursive: true, force: true });
});

describe('going round the audit chain', () => {
  test('finds nothing in a chain that is whole, also while it grows', async () => {
    await rounds(2);
    await add(700);
    await rounds(4);
    expect([patrol.isBroken, broken]).toEqual([false, []]);
  });

  test.each([
    [1_100, "update audit_event set outcome = '8' where number = 1100"],
    [700, 'delete from audit_reference where number = 700; delete from audit_event where number = 700'],
    [EVENTS, `delete from audit_reference where number = ${EVENTS}; delete from audit_event where number = ${EVENTS}`],
  ])('comes upon event %i, tells of it once, and says so until it is whole again', async (number, statement) => {
    tamper(statement);
    await rounds(9);
    expect([patrol.isBroken, broken.map((bad) => bad.number)]).toEqual([true, [number]]);
  });

  test('is not misled by what retention removes meanwhile', async () => {
    await rounds(1);
    await store.retention.removeAudit(CLOCK.nowMs() + 900, { limit: 900, dryRun: false });
    await rounds(4);
    expect([patrol.isBroken, broken]).toEqual([false, []]);
  });
});
