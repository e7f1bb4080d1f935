/** The whole service on PostgreSQL: two replicas answer, store and forward as one on SQLite does. */
import { join } from 'node:path';
import { afterAll, afterEach, beforeAll, describe, expect, test } from 'vitest';
import { arrivalsAt } from '../examples/demo/arrivals.ts';
import { startReceiver, type Receiver } from '../examples/receiver/receiver.ts';
import { sendWardDay, type Answered } from '../examples/simulator/gateway.ts';
import { wardDay } from '../examples/simulator/ward-day.ts';
import { loadConfig } from '../src/config.ts';
import { createLog } from '../src/log.ts';
import { start, type Running } from '../src/main.ts';
import { copyStore, openStore } from '../src/open-store.ts';
import { passingFolder } from './cli/command.ts';
import { passingStore, type PassingStore } from './postgres-setup.ts';

const NOW_MS = Date.parse('2026-03-02T12:00:00Z');
const CLOCK = { nowMs: () => NOW_MS };
const PUBLIC_BASE = 'http://steelyard.harbourlight.example/fhir';

const folder = passingFolder();
const toStop: (() => Promise<void>)[] = [];
let place: PassingStore;

beforeAll(async () => {
  place = await passingStore();
});
afterEach(async () => {
  for (const stop of toStop.splice(0).reverse()) await stop();
});
afterAll(() => place.remove());

async function startOn(database: string, receiver?: Receiver): Promise<Running & { readonly logged: readonly string[] }> {
  const logged: string[] = [];
  const config = loadConfig({
    STEELYARD_PORT: '0',
    STEELYARD_DATABASE: database,
    STEELYARD_BASE_URL: PUBLIC_BASE,
    ...(receiver && { STEELYARD_EHR_URL: receiver.url }),
  });
  const running = await start(config, { clock: CLOCK, log: createLog('info', { write: (line: string) => void logged.push(line) }) });
  toStop.push(() => running.stop());
  return { ...running, logged };
}

async function receiver(): Promise<Receiver> {
  const started = await startReceiver({ port: 0 });
  toStop.push(() => started.close());
  return started;
}

async function drained(database: string): Promise<void> {
  const store = await openStore(database, { clock: CLOCK, exclusive: false });
  try {
    while ((await store.outbox.counts()).waiting > 0) await new Promise((resolve) => setTimeout(resolve, 20));
    expect((await store.outbox.counts()).parked).toBe(0);
  } finally {
    await store.close();
  }
}

async function page(service: Running, path: string): Promise<string> {
  const response = await fetch(`${service.url}/fhir/${path}`);
  expect(response.status, path).toBe(200);
  return response.text();
}

/** Every Observation and Provenance in the order of writing, page after page. */
async function pulled(service: Running): Promise<string> {
  const pages: string[] = [];
  let path: string | undefined =
    'Observation?_sort=_lastUpdated&_count=20&status=final,preliminary,amended,corrected,cancelled,entered-in-error';
  while (path !== undefined) {
    const text: string = await page(service, path);
    pages.push(text);
    path = /"relation":"next","url":"[^"]*\/fhir\/([^"]+)"/.exec(text)?.[1];
  }
  expect(pages.length).toBeGreaterThan(1);
  for (const id of new Set(pages.join('').match(/(?<="resourceType":"Observation","id":")[^"]+/g)))
    pages.push(await page(service, `Observation/${id}/_history`), await page(service, `Provenance?target=Observation/${id}`));
  return pages.join('\n');
}

/** Ids are random: each is replaced by the place at which it first stands. Page links hold numbers of rows. */
function withoutIds(text: string): string {
  const known = new Map<string, string>();
  return text.replaceAll(/_cursor=[\w-]+/g, '_cursor=').replaceAll(/[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}/g, (id) => {
    if (!known.has(id)) known.set(id, `id-${known.size + 1}`);
    return known.get(id) ?? '';
  });
}

function said(answers: readonly Answered[]): string {
  return withoutIds(
    JSON.stringify(
      answers.map(({ status, verdict, remarks }) => ({ status, verdict, remarks })),
      undefined,
      1,
    ),
  );
}

describe('the service', () => {
  test('on PostgreSQL, with two replicas in turn, answers, stores and forwards a ward day as on SQLite', async () => {
    const file = join(folder, 'ward.db');
    const [ehr, sharedEhr] = [await receiver(), await receiver()];
    const alone = await startOn(file, ehr);
    const replicas = [await startOn(place.url, sharedEhr), await startOn(place.url, sharedEhr)] as const;
    for (const { logged } of replicas) {
      expect(JSON.parse(logged[0] ?? '')).toMatchObject({ msg: 'listening', store: 'postgresql' });
      expect(logged.join('')).not.toContain('postgres://');
    }
    for (const seed of [1, 2]) {
      const day = wardDay({ seed, nowMs: NOW_MS });
      const expected = await sendWardDay(day, { base: `${alone.url}/fhir`, paceMs: 0 });
      const answers = await sendWardDay(day, { base: `${replicas[seed - 1]?.url}/fhir`, paceMs: 0 });
      expect(said(answers)).toBe(said(expected));
      expect(answers.every(({ isAsExpected }) => isAsExpected)).toBe(true);
    }
    await Promise.all([drained(file), drained(place.url)]);
    const [ours, theirs] = [arrivalsAt(sharedEhr), arrivalsAt(ehr)];
    expect(ours.digits).toEqual(theirs.digits);
    expect(ours.bmi).toEqual(theirs.bmi);
    const served = await Promise.all([...replicas, alone].map(pulled));
    expect(served[0]).toBe(served[1]);
    expect(withoutIds(served[0] ?? '')).toBe(withoutIds(served[2] ?? ''));
  }, 180_000);

  test('gives the very same answers from a store that was moved to PostgreSQL, and goes on there', async () => {
    const [file, moved] = [join(folder, 'to-move.db'), await passingStore()];
    const before = await startOn(file);
    await sendWardDay(wardDay({ seed: 3, nowMs: NOW_MS }), { base: `${before.url}/fhir`, paceMs: 0 });
    const expected = await pulled(before);
    await before.stop();
    await copyStore(file, moved.url, CLOCK);
    const after = await startOn(moved.url);
    expect(await pulled(after)).toBe(expected);
    const answers = await sendWardDay(wardDay({ seed: 4, nowMs: NOW_MS }), { base: `${after.url}/fhir`, paceMs: 0 });
    expect(answers.every(({ isAsExpected }) => isAsExpected)).toBe(true);
    await after.stop();
    await moved.remove();
  }, 180_000);
});
