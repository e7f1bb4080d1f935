/** Whoever can write to the database alters a stored reading by hand: the verification names it. */
import { randomUUID } from 'node:crypto';
import { copyFileSync, mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { createIntake } from '../../src/ingest.ts';
import { copyStore, openStore } from '../../src/open-store.ts';
import type { AuditVerdict } from '../../src/ports.ts';
import { openSqliteReadOnly } from '../../src/store/read-only.ts';
import { arrived } from '../arrived.ts';
import { steelyard } from '../cli/command.ts';
import { CLOCK, height, weight } from '../measurements.ts';
import { passingStore } from '../postgres-setup.ts';

let folder: string;
let sound: string;

beforeAll(async () => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-versions-'));
  sound = join(folder, 'sound.db');
  const store = await openStore(sound, { clock: CLOCK });
  const intake = createIntake({
    store,
    clock: CLOCK,
    policy: () => DEFAULT_POLICY,
    newId: randomUUID,
    knownBases: [],
    forwards: false,
  });
  const post = (observation: object) => {
    const { tree, text } = arrived(observation);
    return intake.create(tree, text);
  };
  await intake.putRegistry('Patient', 'ada', arrived({ resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17' }).tree);
  await post(height('160.0'));
  await post(weight('80.0'));
  await post(weight('81.0', 'kg', { subject: { reference: 'Patient/ben' } }));
  await store.close();
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

/** Patient, height, two weights and the BMI of one. */
const VERSIONS = 5;

function tampered(statement: string): string {
  const path = join(folder, 'tampered.db');
  for (const end of ['', '-wal', '-shm']) rmSync(`${path}${end}`, { force: true });
  copyFileSync(sound, path);
  const database = new Database(path);
  database.exec(statement);
  database.close();
  return path;
}

async function verdictOn(path: string): Promise<AuditVerdict> {
  const opened = await openSqliteReadOnly(path);
  try {
    return await opened.audit.verify();
  } finally {
    await opened.close();
  }
}

const EIGHTY = `type = 'Observation' and content like '%"value":80.0,%'`;

describe('stored versions', () => {
  test('read as they were written', async () => {
    expect((await verdictOn(sound)).versions).toEqual({ checked: VERSIONS, notChecked: 0, gone: 0 });
  });

  test.each([
    ['a digit', `update resource_version set content = replace(content, '"value":80.0', '"value":60.0') where ${EIGHTY}`],
    ['a zero behind the point', `update resource_version set content = replace(content, '"value":80.0', '"value":80.00') where ${EIGHTY}`],
    ['a salt', `update resource_version set salt = null where ${EIGHTY}`],
    ['a birth date', `update resource_version set content = replace(content, '1980', '1990') where type = 'Patient'`],
  ])('of which %s was changed are named', async (_what, statement) => {
    const verdict = await verdictOn(tampered(statement));
    expect(verdict.bad).toBeUndefined();
    expect(verdict.versions?.bad).toMatch(/^(Observation|Patient)\/[\w-]+\/_history\/1$/);
  });

  test('are named by steelyard audit verify, which exits 1', async () => {
    const path = tampered(`update resource_version set content = replace(content, '"value":80.0', '"value":60.0') where ${EIGHTY}`);
    const { exitCode, stdout } = await steelyard(['audit', 'verify'], { env: { STEELYARD_DATABASE: path } });
    expect(stdout.replaceAll(/\s+/g, ' ')).toMatch(
      /Observation\/[\w-]+\/_history\/1 was altered: its text is not the one that was written/,
    );
    expect(exitCode).toBe(1);
  });

  test('whose hash was altered too give away the chain', async () => {
    const verdict = await verdictOn(tampered(`update audit_event set content = replace(content, '"sha256"', '"none"') where number = 3`));
    expect([verdict.bad, verdict.versions]).toEqual([{ number: 3, fault: 'altered' }, undefined]);
  });

  test('that an earlier release wrote are counted as not checked', async () => {
    const path = tampered(
      `insert into resource_version (type, id, version, last_updated, content) values ('Device', 'old', 1, '2026-01-01T00:00:00.000000Z', '{}')`,
    );
    expect((await verdictOn(path)).versions).toEqual({ checked: VERSIONS, notChecked: 1, gone: 0 });
    const { exitCode, stdout } = await steelyard(['audit', 'verify'], { env: { STEELYARD_DATABASE: path } });
    expect([exitCode, stdout.replaceAll(/\s+/g, ' ')]).toEqual([0, expect.stringContaining('1 were not checked')]);
  });

  test('of a person who was removed are gone, and no fault', async () => {
    const path = tampered('select 1');
    const store = await openStore(path, { clock: CLOCK });
    const removal = await store.retention.removePerson('Patient/ada', { dryRun: false });
    expect(removal.kind).toBe('removed');
    await store.close();
    expect((await verdictOn(path)).versions).toEqual({ checked: 1, notChecked: 0, gone: VERSIONS - 1 });
  });

  test('are found sound, or not, after they were copied to another database', async () => {
    const place = await passingStore();
    try {
      await copyStore(tampered('select 1'), place.url, CLOCK);
      const store = await openStore(place.url, { clock: CLOCK });
      expect((await store.audit.verify()).versions).toEqual({ checked: VERSIONS, notChecked: 0, gone: 0 });
      await store.close();
    } finally {
      await place.remove();
    }
  });

  test('cannot be guessed from the audit: the same text has another hash each time', () => {
    const database = new Database(sound, { readonly: true });
    const salts = database.prepare('select salt from resource_version').pluck().all() as string[];
    database.close();
    expect(new Set(salts).size).toBe(salts.length);
    expect(salts.every((salt) => /^[0-9a-f]{32}$/.test(salt))).toBe(true);
  });
});
