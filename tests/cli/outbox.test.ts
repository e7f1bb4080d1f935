import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { openStore } from '../../src/open-store.ts';
import type { Store } from '../../src/ports.ts';
import { passingFolder, steelyard } from './command.ts';

const folder = passingFolder();
const database = join(folder, 'ward.db');
const env = { STEELYARD_DATABASE: database };

/** Open all the while, as a running service has it. */
let service: Store;

async function queue(observationId: string, person = 'Patient/harbourlight-1', queuedAt = '2026-03-02T08:00:00.000Z'): Promise<number> {
  return service.write((writer) =>
    writer.enqueue({
      person,
      resources: [{ type: 'Observation', id: observationId, version: 1 }],
      concerns: [observationId],
      queuedAt,
    }),
  );
}

beforeAll(async () => {
  service = await openStore(database, { clock: { nowMs: () => Date.parse('2026-03-02T08:00:00Z') } });
});
afterAll(() => service.close());

describe('steelyard outbox, beside a running service', () => {
  test('lists what waits and what is parked, with the reason and without the person', async () => {
    const [waiting, parked] = [await queue('w1'), await queue('w2', 'Patient/harbourlight-2')];
    await service.outbox.park(parked, 'the EHR answered 422 (business-rule)');
    const { exitCode, stdout } = await steelyard(['outbox', 'list'], { env });
    expect(stdout).toMatch(
      new RegExp(
        `^ +${waiting}  waiting, queued 2026-03-02 08:00Z, 0 tries, next try 2026-03-02 08:00Z\n +Observation/w1, version 1$`,
        'm',
      ),
    );
    expect(stdout).toMatch(new RegExp(`^ +${parked}  parked, .*\n +Observation/w2, version 1\n +the EHR answered 422`, 'm'));
    expect(stdout).toContain(`1 waiting, 1 parked in ${database}.`);
    expect(stdout).not.toContain('harbourlight');
    expect(exitCode).toBe(0);
    const only = await steelyard(['outbox', 'list', '--state', 'parked'], { env });
    expect(only.stdout).not.toContain('Observation/w1');
  });

  test('retries a parked item, and the service sees it waiting', async () => {
    const number = await queue('w3');
    await service.outbox.park(number, 'the EHR answered 400');
    const { exitCode, stdout } = await steelyard(['outbox', 'retry', String(number)], { env });
    expect(stdout).toContain(`${number} waits to be sent again.`);
    expect(exitCode).toBe(0);
    expect(await service.outbox.list({ states: ['waiting'], limit: 100 })).toContainEqual(expect.objectContaining({ number, tries: 0 }));
  });

  test('does what can be done of several, and exits 1 when one of them is not parked', async () => {
    const [parked, waiting] = [await queue('w4'), await queue('w5')];
    await service.outbox.park(parked, 'the EHR answered 400');
    const { exitCode, stdout, stderr } = await steelyard(['outbox', 'retry', String(waiting), String(parked)], { env });
    expect(stdout).toContain(`${parked} waits to be sent again.`);
    expect(stderr).toContain(`${waiting} is not among the parked items`);
    expect(exitCode).toBe(1);
  });

  test('says which item must be decided about first', async () => {
    const [first, second] = [await queue('w6'), await queue('w6')];
    await service.outbox.park(first, 'the EHR answered 400');
    const { exitCode, stderr } = await steelyard(['outbox', 'retry', String(second)], { env });
    expect(stderr).toContain(`${second} waits for ${first}, which is parked`);
    expect(exitCode).toBe(1);
  });

  describe('retries by what items have in common', () => {
    const parkAll = async (ids: readonly string[], reason: string, queuedAt?: string): Promise<number[]> => {
      const numbers: number[] = [];
      for (const id of ids) {
        const number = await queue(id, `Patient/harbourlight-${id}`, queuedAt);
        await service.outbox.park(number, reason);
        numbers.push(number);
      }
      return numbers;
    };
    const stateOf = async (number: number) => (await service.outbox.list({ limit: 1000 })).find((item) => item.number === number)?.state;

    test('after a dry run, which prints what would be retried and what hangs on it, and changes nothing', async () => {
      const [first, other] = await parkAll(['r1', 'r2'], 'the EHR refuses the content (status 422, issues REQUIRED)');
      const behind = await queue('r1');
      const args = ['outbox', 'retry', '--reason-like', 'issues required'];
      const dry = await steelyard([...args, '--dry-run'], { env });
      expect(dry.stdout).toMatch(
        new RegExp(`^ +${first}  would be sent again, queued .*\n +the EHR refuses.*\n +and with it: ${behind}$`, 'm'),
      );
      expect(dry.stdout).toContain('2 would be sent again, and 1 that they hold back. Nothing was changed.');
      expect(dry.stdout).not.toContain('harbourlight');
      expect(dry.exitCode).toBe(0);
      expect(await stateOf(first as number)).toBe('parked');
      const done = await steelyard(args, { env });
      expect(done.stdout).toContain(`${first} waits to be sent again, and with it ${behind}.\n${other} waits to be sent again.`);
      expect(await Promise.all([first, other, behind].map((number) => stateOf(number as number)))).toEqual([
        'waiting',
        'waiting',
        'waiting',
      ]);
    });

    test('by when they were queued', async () => {
      const [early] = await parkAll(['t1'], 'the EHR refuses the content', '2026-02-01T08:00:00.000Z');
      const [late] = await parkAll(['t2'], 'the EHR refuses the content', '2026-02-02T08:00:00.000Z');
      const { stdout } = await steelyard(['outbox', 'retry', '--since', '2026-02-01', '--until', '2026-02-02T09:00:00+01:00'], { env });
      expect(stdout).toBe(`${early} waits to be sent again.\n`);
      expect(await stateOf(late as number)).toBe('parked');
    });

    test('by what holds them back, and all', async () => {
      const [root, another] = await parkAll(['u1', 'u2'], 'the EHR refuses the content');
      const behind = await queue('u1');
      const { stdout } = await steelyard(['outbox', 'retry', '--blocked-by', String(root)], { env });
      expect(stdout).toBe(`${root} waits to be sent again, and with it ${behind}.\n`);
      await steelyard(['outbox', 'retry', '--all'], { env });
      expect(await stateOf(another as number)).toBe('waiting');
      expect((await steelyard(['outbox', 'retry', '--all'], { env })).stdout).toBe('No parked item is meant.\n');
    });

    test.each([
      [[], 'Say which items'],
      [['--all', '7'], 'go alone'],
      [['--all', '--reason-like', '422'], 'go alone'],
      [['--reason-like', ' '], 'must not be empty'],
      [['--since', 'yesterday'], '--since must be a date'],
    ])('and exits 2 for %j', async (args, says) => {
      const { exitCode, stderr } = await steelyard(['outbox', 'retry', ...args], { env });
      expect(stderr).toContain(says);
      expect(exitCode).toBe(2);
    });
  });

  test('distrusts a restored store: what is not sent is looked up first', async () => {
    const number = await queue('d1', 'Patient/harbourlight-d1');
    const { stdout, exitCode } = await steelyard(['outbox', 'distrust'], { env });
    expect(stdout).toMatch(/^\d+ waiting or parked items are looked up at the EHR before anything is sent\./);
    expect(exitCode).toBe(0);
    expect(await service.outbox.list({ states: ['waiting'], limit: 100 })).toContainEqual(expect.objectContaining({ number, tries: 1 }));
  });

  test('discards with a reason that is kept, and never without one', async () => {
    const number = await queue('w7');
    await service.outbox.park(number, 'the EHR answered 400');
    for (const without of [[], ['--reason', ' '], ['--reason', 'two\nlines']]) {
      expect(await steelyard(['outbox', 'discard', String(number), ...without], { env })).toMatchObject({ exitCode: 2 });
    }
    const { exitCode } = await steelyard(['outbox', 'discard', String(number), '--reason', 'charted by hand'], { env });
    expect(exitCode).toBe(0);
    expect(await service.outbox.list({ states: ['discarded'], limit: 100 })).toContainEqual(
      expect.objectContaining({ number, reason: 'charted by hand' }),
    );
  });

  test('discards what waits, but not what is being sent just now', async () => {
    const [first, second] = [await queue('w8', 'Patient/harbourlight-8'), await queue('w9', 'Patient/harbourlight-8')];
    const waiting = await service.outbox.list({ states: ['waiting'], limit: 100 });
    expect((await service.outbox.claim(Date.now(), 600_000, 100)).map(({ number }) => number)).toContain(first);
    expect(waiting.map(({ number }) => number)).toContain(second);
    const numbers = [first, second, 9_999].map(String);
    const { exitCode, stdout, stderr } = await steelyard(['outbox', 'discard', ...numbers, '--reason', 'charted by hand'], { env });
    expect(stderr).toContain(`${first} is being sent just now, so nothing was done. Try again in a minute.`);
    expect(stderr).toContain('9999 is neither waiting nor parked, so nothing was done.');
    expect(stdout).toContain(`${second} is given up. A reading of it goes to the EHR only if a later item refers to it.`);
    expect(exitCode).toBe(1);
    expect(await service.outbox.list({ states: ['discarded'], limit: 100 })).toContainEqual(
      expect.objectContaining({ number: second, reason: 'charted by hand' }),
    );
  });

  test('says in its help what discarding takes', async () => {
    const { stdout } = await steelyard(['outbox', 'discard', '--help'], { env });
    expect(stdout.replaceAll(/\s+/g, ' ')).toContain('give up waiting or parked items, but none that is being sent just now');
  });
});

describe('steelyard outbox exits 2', () => {
  test('when there is no store, and makes none', async () => {
    const absent = join(folder, 'absent.db');
    for (let time = 0; time < 2; time += 1) {
      const { exitCode, stderr } = await steelyard(['outbox'], { env: { STEELYARD_DATABASE: absent } });
      expect(stderr).toContain(`There is no store at ${absent}`);
      expect(exitCode).toBe(2);
    }
  });

  test('for a number that is none', async () => {
    expect(await steelyard(['outbox', 'retry', 'twelve'], { env })).toMatchObject({ exitCode: 2 });
  });
});
