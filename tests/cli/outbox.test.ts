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

async function queue(observationId: string, person = 'Patient/harbourlight-1'): Promise<number> {
  return service.write((writer) =>
    writer.enqueue({
      person,
      resources: [{ type: 'Observation', id: observationId, version: 1 }],
      concerns: [observationId],
      queuedAt: '2026-03-02T08:00:00.000Z',
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
