import { join } from 'node:path';
import Database from 'better-sqlite3';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { openStore } from '../../src/open-store.ts';
import type { Store } from '../../src/ports.ts';
import { readEvent } from '../contract/suites/audit.ts';
import { passingFolder, steelyard } from './command.ts';

const folder = passingFolder();
const database = join(folder, 'ward.db');
const env = { STEELYARD_DATABASE: database };

/** Open all the while, as a running service has it. */
let service: Store;
const add = (from: number, to: number) =>
  service.write(async (tx) => {
    for (let at = from; at <= to; at += 1) await tx.addAudit(readEvent(at));
  });
const alter = (statement: string): void => {
  const other = new Database(database);
  other.exec(statement);
  other.close();
};
const oneLine = (text: string): string => text.replaceAll(/\s+/g, ' ');

beforeAll(async () => {
  service = await openStore(database, { clock: { nowMs: () => Date.parse('2026-03-02T08:00:00Z') } });
});
afterAll(() => service.close());

describe('steelyard audit, beside a running service', () => {
  test('verifies, and prints a head with which a later verification is compared', async () => {
    await add(1, 5);
    const { stdout: head } = await steelyard(['audit', 'head'], { env });
    expect(head).toMatch(/^5:[0-9a-f]{64}\n$/);
    await add(6, 6);
    const { exitCode, stdout } = await steelyard(['audit', 'verify', '--expect', head.trim()], { env });
    expect(oneLine(stdout)).toContain(
      '6 events are as they were written, recorded from 2026-03-14T08:00:01.000Z to 2026-03-14T08:00:06.000Z.',
    );
    expect(oneLine(stdout)).toContain('Event 5 is the one that was noted.');
    expect(stdout).toMatch(/^Head: 6:[0-9a-f]{64}$/m);
    expect(exitCode).toBe(0);
    const other = await steelyard(['audit', 'verify', '--expect', `4:${'f'.repeat(64)}`], { env });
    expect([other.exitCode, oneLine(other.stdout)]).toEqual([1, expect.stringContaining('Event 4 is not the one that was noted')]);
  });

  test.each(['5', '5:xyz', 'head'])('does not take %s for a head', async (expected) => {
    const { exitCode, stderr } = await steelyard(['audit', 'verify', '--expect', expected], { env });
    expect([exitCode, stderr]).toEqual([2, expect.stringContaining('--expect must be a head')]);
  });

  test('names the first event that was altered, also while later ones are added', async () => {
    const row = new Database(database, { readonly: true });
    const { content } = row.prepare('select content from audit_event where number = 3').get() as { content: string };
    row.close();
    alter("update audit_event set content = replace(content, '\"R\"', '\"E\"'), action = 'E' where number = 3");
    await add(7, 9);
    const { exitCode, stdout } = await steelyard(['audit', 'verify'], { env });
    expect(oneLine(stdout)).toContain('Event 3 was altered');
    expect(oneLine(stdout)).toContain('Before it 2 events are as they were written');
    expect(exitCode).toBe(1);
    alter(`update audit_event set content = '${content}', action = 'R' where number = 3`);
    expect((await steelyard(['audit', 'verify'], { env })).exitCode).toBe(0);
  });

  test('names an event that was removed', async () => {
    alter('delete from audit_reference where number = 4; delete from audit_event where number = 4');
    const { exitCode, stdout } = await steelyard(['audit', 'verify'], { env });
    expect([exitCode, oneLine(stdout)]).toEqual([1, expect.stringContaining('Event 4 was removed')]);
  });

  test('says of a store that is not there that it is not', async () => {
    const { exitCode, stderr } = await steelyard(['audit', 'verify'], { env: { STEELYARD_DATABASE: join(folder, 'none.db') } });
    expect([exitCode, stderr]).toEqual([2, expect.stringContaining('There is no store')]);
  });
});
