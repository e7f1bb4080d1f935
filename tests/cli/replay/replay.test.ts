import { createServer, type IncomingMessage, type ServerResponse } from 'node:http';
import { once } from 'node:events';
import { writeFileSync } from 'node:fs';
import type { AddressInfo } from 'node:net';
import { join } from 'node:path';
import { text as textOf } from 'node:stream/consumers';
import { afterAll, describe, expect, test } from 'vitest';
import { replay, type ReplayOptions, type ReplayParts } from '../../../src/cli/replay.ts';
import { recordingOf } from '../../../examples/simulator/recording.ts';
import { SCENARIO_NAMES, type ScenarioName } from '../../../examples/simulator/scenario-texts.ts';
import { expectationsOf, SCENARIOS } from '../../../examples/simulator/scenarios.ts';
import { wardDay } from '../../../examples/simulator/ward-day.ts';
import { startService, type Service } from '../../service.ts';
import { observationText, passingFolder, writeIn } from '../command.ts';
import { listeningTerminal, runHere } from '../in-process.ts';

const folder = passingFolder();
const closing: (() => Promise<unknown>)[] = [];
afterAll(async () => {
  for (const close of closing) await close();
});
const startOne = async (): Promise<Service> => {
  const service = await startService({ now: () => Date.now() });
  closing.push(() => service.close());
  return service;
};

/** A time that passes only by waiting. */
function ownTime(): ReplayParts & { readonly waits: number[] } {
  let now = Date.parse('2026-03-02T12:00:00Z');
  const waits: number[] = [];
  return { nowMs: () => now, wait: (ms) => Promise.resolve(void (waits.push(ms), (now += ms))), waits };
}

async function send(file: string, options: Partial<ReplayOptions> & { readonly url: string }, parts?: ReplayParts) {
  const terminal = listeningTerminal();
  const write = process.stderr.write.bind(process.stderr);
  process.stderr.write = () => true;
  try {
    const exitCode = await replay(file, { pace: 'max', by: 'effective', ...options }, terminal, parts);
    return { exitCode, stdout: terminal.text() };
  } finally {
    process.stderr.write = write;
  }
}

const countIn = (stdout: string, what: string): number => Number(new RegExp(`^${what} +(\\d+)$`, 'm').exec(stdout)?.[1] ?? NaN);

function recorded(name: ScenarioName, recordedMs: number, seed = 1): { readonly file: string; readonly expected: Record<string, number> } {
  const { rounds, copies } = SCENARIOS[name];
  const day = wardDay({ seed, nowMs: recordedMs, rounds });
  const file = join(folder, `${name}-${recordedMs}.ndjson`);
  writeFileSync(file, [...recordingOf(day, { name, recordedMs, copies })].join('\n'));
  const expected: Record<string, number> = {};
  for (const { verdict } of expectationsOf(day, SCENARIOS[name])) expected[verdict] = (expected[verdict] ?? 0) + 1;
  return { file, expected };
}

describe('a replay of a recorded scenario', () => {
  test.each(SCENARIO_NAMES)('of %s comes out as the simulation does', async (name) => {
    const { base } = await startOne();
    const { file, expected } = recorded(name, Date.now());
    const { exitCode, stdout } = await send(file, { url: base });
    expect(countIn(stdout, 'accepted')).toBe(expected['accepted']);
    expect(countIn(stdout, 'held')).toBe(expected['held'] ?? 0);
    expect(countIn(stdout, 'refused')).toBe(expected['refused'] ?? 0);
    expect(countIn(stdout, 'known already')).toBe(expected['resent'] ?? 0);
    expect(countIn(stdout, 'corrected')).toBe(expected['corrected'] ?? 0);
    expect(exitCode).toBe(0);
  });

  test('of long ago is a day of today with --shift-to now, wrong clocks and all; sent again, all of it is known', async () => {
    const { base, store } = await startOne();
    const { file, expected } = recorded('clock-fault', Date.parse('2026-01-05T12:00:00Z'));
    const shiftTo = new Date().toISOString();
    const first = await send(file, { url: base, shiftTo });
    expect(first.stdout).toContain('identifiers stay as recorded');
    expect([countIn(first.stdout, 'accepted'), countIn(first.stdout, 'refused')]).toEqual([expected['accepted'], expected['refused']]);
    const count = await store.read.countObservations({ includeHeld: true });
    const again = await send(file, { url: base, shiftTo });
    expect(countIn(again.stdout, 'known already')).toBe((expected['accepted'] ?? 0) + (expected['held'] ?? 0));
    expect(await store.read.countObservations({ includeHeld: true })).toBe(count);
  });
});

interface Stand {
  readonly url: string;
  readonly bodies: string[];
}

/** A stand-in that answers as it is told, in turn; a break of the connection for `undefined`. */
async function standIn(answers: readonly ((req: IncomingMessage, res: ServerResponse) => void)[]): Promise<Stand> {
  const bodies: string[] = [];
  const server = createServer((req, res) => {
    void textOf(req).then((body) => {
      bodies.push(body);
      const answer = answers[Math.min(bodies.length, answers.length) - 1];
      answer?.(req, res);
    });
  });
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  closing.push(() => new Promise((resolve) => server.close(resolve).closeAllConnections()));
  return { url: `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`, bodies };
}

const answered =
  (status: number, headers: Record<string, string> = {}) =>
  (_req: IncomingMessage, res: ServerResponse) =>
    void res.writeHead(status, headers).end();
const hangUp = (req: IncomingMessage) => void req.socket.destroy();

describe('a replay sends again', () => {
  const day = () =>
    writeIn(folder, 'two.ndjson', `${observationText('weight', '80.0', 'kg')}\n${observationText('height', '160.0', 'cm')}\n`);

  test('with the same body what was answered "not now", or not at all, and waits as long as it is asked to', async () => {
    const inTwoMinutes = new Date(Date.now() + 120_000).toUTCString();
    const { url, bodies } = await standIn([
      answered(503, { 'Retry-After': '7' }),
      answered(429, { 'Retry-After': inTwoMinutes }),
      hangUp,
      answered(502),
      answered(201),
    ]);
    const time = ownTime();
    const { exitCode, stdout } = await send(day(), { url }, time);
    expect(new Set(bodies.slice(0, 5)).size).toBe(1);
    expect(bodies).toHaveLength(6);
    // the second asked for more than a minute, which is the most that is waited
    expect(time.waits).toEqual([7_000, 60_000, 4_000, 8_000]);
    expect(stdout).toContain('2 of 2 lines answered; people and devices told: 0; sent again: 4.');
    expect(exitCode).toBe(0);
  });

  test('no more than twelve times, then sends nothing behind it, says so and exits 1', async () => {
    const { url, bodies } = await standIn([hangUp]);
    const { exitCode, stdout } = await send(day(), { url }, ownTime());
    expect(new Set(bodies).size).toBe(1);
    expect(bodies.length).toBeGreaterThanOrEqual(12);
    expect(countIn(stdout, 'no answer')).toBe(1);
    expect(stdout).toContain('1 lines behind the one without an answer were not sent');
    expect(exitCode).toBe(1);
  });

  test('nothing to where it is redirected, and takes no bare 404 for a verdict', async () => {
    const away = await standIn([answered(307, { Location: 'https://elsewhere.example/' })]);
    expect(countIn((await send(day(), { url: away.url }, ownTime())).stdout, 'no answer')).toBe(1);
    const bare = await standIn([answered(404)]);
    const { exitCode, stdout } = await send(day(), { url: bare.url }, ownTime());
    expect(stdout).toMatch(/no verdict \(answer 404\) +2/);
    expect(exitCode).toBe(1);
  });
});

describe('a replay goes', () => {
  const times = ['08:00:00', '08:10:00', '08:05:00', '09:00:00'];
  const file = writeIn(
    folder,
    'paced.ndjson',
    times.map((time) => observationText('weight', '80.0', 'kg', { effectiveDateTime: `2026-03-02T${time}Z` })).join('\n'),
  );

  test('at the recorded pace times a factor; what bears an earlier time follows at once', async () => {
    const { url, bodies } = await standIn([answered(201)]);
    const time = ownTime();
    await send(file, { url, pace: 60 }, time);
    expect(time.waits).toEqual([10_000, 50_000]);
    expect(bodies).toHaveLength(4);
  });

  test('at so many lines a second', async () => {
    const { url } = await standIn([answered(201)]);
    const time = ownTime();
    await send(file, { url, rate: 2 }, time);
    expect(time.waits).toEqual([500, 500, 500]);
  });

  test('nowhere with --dry-run, and says what it would do', async () => {
    const { url, bodies } = await standIn([answered(201)]);
    const { exitCode, stdout } = await send(file, { url, pace: 60, dryRun: true });
    expect(stdout).toContain('4 lines, 4 readings, measured 2026-03-02T08:00:00.000Z to 2026-03-02T09:00:00.000Z.');
    expect(stdout).toContain('It is sent in 60 s, 60 times the recorded pace.');
    expect(stdout).toContain('Nothing was sent (--dry-run).');
    expect(bodies).toEqual([]);
    expect(exitCode).toBe(0);
  });
});

test('Bundles are counted by their readings, and what the service was told of besides', async () => {
  const { base } = await startOne();
  const entry = (resource: string, method: string, url: string) =>
    `{"resource":${resource},"request":{"method":"${method}","url":"${url}"}}`;
  const at = new Date().toISOString();
  const weight = observationText('weight', '20.09414', 'kg', { effectiveDateTime: at });
  const height = observationText('height', '160.0', 'cm', { effectiveDateTime: at });
  const bundle = (type: string) =>
    `{"resourceType":"Bundle","type":"${type}","entry":[${entry('{"resourceType":"Patient","id":"p1","birthDate":"1960-04-01"}', 'PUT', 'Patient/p1')},${entry(weight, 'POST', 'Observation')},${entry(height, 'POST', 'Observation')}]}`;
  const { exitCode, stdout } = await send(writeIn(folder, 'bundles.ndjson', `${bundle('transaction')}\n${bundle('batch')}\n`), {
    url: base,
  });
  expect([countIn(stdout, 'accepted'), countIn(stdout, 'refused')]).toEqual([1, 3]);
  expect(stdout).toContain('people and devices told: 1');
  expect(countIn(stdout, 'precision-step')).toBe(3);
  expect(exitCode).toBe(0);
});

describe('a replay exits 2', () => {
  const good = writeIn(folder, 'good.ndjson', observationText('weight', '80.0', 'kg'));
  test.each([
    [
      'for a line that is none, and sends nothing',
      [writeIn(folder, 'bad.ndjson', `${observationText('weight', '80.0', 'kg')}\n\n{"a":`)],
      'bad.ndjson:3: it is not acceptable JSON',
    ],
    ['for a file that is not there', [join(folder, 'absent.ndjson')], 'cannot be read (ENOENT)'],
    ['for a folder', [folder], 'is no file'],
    ['for standard input, which cannot be read twice', ['-'], 'is no file'],
    ['for an address that is none', [good, '--url', 'ftp://127.0.0.1/'], '--url must be'],
    ['for a token that others could read', [good, '--url', 'http://scales.example/fhir', '--token-file', 'x'], 'must be an https address'],
    ['for a pace that is none', [good, '--pace', 'fast'], 'factor above 0'],
    ['for a pace and a rate', [good, '--pace', '2', '--rate', '3'], 'cannot be used with'],
    ['for an instant that is none', [good, '--shift-to', 'tomorrow'], '--shift-to must be now'],
  ])('%s', async (_why, args, sentence) => {
    expect(await runHere(['replay', ...args])).toMatchObject({ exitCode: 2, stdout: expect.stringContaining(sentence) as string });
  });
});
