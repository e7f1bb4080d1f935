/** Events outside any unit of work: while the store takes them, while it does not, and when too many wait. */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import type * as fhir4 from 'fhir/r4.js';
import express from 'express';
import { once } from 'node:events';
import { createServer } from 'node:http';
import type { AddressInfo } from 'node:net';
import { AuditTrail, type AuditTrailLog, type AuditTrailOptions } from '../src/audit-trail.ts';
import { sendFhir } from '../src/http/answer.ts';
import { auditCalls } from '../src/http/audit/audit-calls.ts';
import { keepNotes, notesOf } from '../src/http/request-notes.ts';
import { createLog } from '../src/log.ts';
import { createMetrics } from '../src/metrics.ts';
import { StoreUnavailable, type AuditPlace, type Store } from '../src/ports.ts';
import { DEFAULT_POLICY } from '../src/core/policy.ts';
import { openSqliteStore } from '../src/store/sqlite.ts';
import { SetClock } from './contract/store-factories.ts';
import { send, startEdge } from './http/edge.ts';
import { keep } from './http/stored.ts';

const clock = new SetClock();
let store: Store;
let isFull: boolean;
let logged: (readonly unknown[])[];
let heads: AuditPlace[];

beforeEach(async () => {
  clock.ms = Date.UTC(2026, 2, 2, 10);
  store = await openSqliteStore(':memory:', { clock });
  [isFull, logged, heads] = [false, [], []];
});
afterEach(() => store.close());

/** The store, which takes nothing while the disk is full. */
const filling = (): Store => ({
  read: store.read,
  outbox: store.outbox,
  audit: store.audit,
  sessions: store.sessions,
  subscriptions: store.subscriptions,
  exports: store.exports,
  waitingUnits: () => store.waitingUnits(),
  onCommit: store.onCommit.bind(store),
  write: (work) => (isFull ? Promise.reject(new StoreUnavailable(new Error('full'))) : store.write(work)),
  isReady: () => Promise.resolve(!isFull),
  close: () => Promise.resolve(),
});

const log: AuditTrailLog = {
  auditHead: (head) => void heads.push(head),
  auditWaiting: (...facts) => void logged.push(facts),
  fault: (error) => void logged.push(['fault', error]),
};

const trailOn = (more: Partial<AuditTrailOptions> = {}): AuditTrail => new AuditTrail({ store: filling(), clock, log, ...more });

const READ = { interaction: 'read', outcome: 'success', caller: {} } as const;
const REFUSED = { event: 'access-refused', outcome: 'minor', caller: { client: 'gateway-9' }, requestId: 'r1' } as const;

async function events(): Promise<fhir4.AuditEvent[]> {
  const found = await store.audit.search({ count: 1000 });
  return found.events.map(({ text }) => JSON.parse(text) as fhir4.AuditEvent).reverse();
}
const countIn = ({ entity = [] }: fhir4.AuditEvent) =>
  entity.flatMap(({ detail = [] }) => detail).find(({ type }) => type === 'more within a minute')?.valueString;

async function until(isSo: () => boolean): Promise<void> {
  while (!isSo()) await new Promise((resolve) => setTimeout(resolve, 1));
}

describe('an event of its own', () => {
  test('is on disk when it is recorded, at the time at which it happened', async () => {
    const trail = trailOn();
    await trail.record(READ);
    clock.ms += 5000;
    await trail.record(READ);
    expect((await events()).map(({ recorded }) => recorded)).toEqual(['2026-03-02T10:00:00.000Z', '2026-03-02T10:00:05.000Z']);
    expect(trail.waiting).toBe(0);
  });

  test('waits while the store cannot commit, and is written in order, with its own time, once it can', async () => {
    const trail = trailOn({ retryMs: 1 });
    isFull = true;
    for (let at = 0; at < 3; at += 1) {
      await trail.record({ ...READ, requestId: `r${at}` });
      clock.ms += 1000;
    }
    expect([trail.waiting, await events()]).toEqual([3, []]);
    isFull = false;
    await until(() => trail.waiting === 0);
    const told = await events();
    expect(told.map(({ recorded, entity }) => [recorded.slice(17, 19), entity?.[0]?.what?.identifier?.value])).toEqual([
      ['00', 'r0'],
      ['01', 'r1'],
      ['02', 'r2'],
    ]);
    expect(logged).toEqual([
      ['begun', 1],
      ['over', 3],
    ]);
  });

  test('is refused when too many wait; those that reveal nothing leave room for reads', async () => {
    const trail = trailOn({ retryMs: 60_000, mostWaiting: 4 });
    isFull = true;
    for (let at = 0; at < 9; at += 1) await trail.recordIfPossible(READ);
    expect(trail.waiting).toBe(2);
    await trail.record(READ);
    await trail.record(READ);
    await expect(trail.record(READ)).rejects.toBeInstanceOf(StoreUnavailable);
    isFull = false;
    await trail.stop();
    expect(await events()).toHaveLength(4);
  });

  test('that is lost at the end is at least counted in the log', async () => {
    const trail = trailOn({ retryMs: 60_000 });
    isFull = true;
    await trail.record(READ);
    await trail.stop();
    expect(logged.at(-1)).toEqual(['lost', 1]);
  });

  test('that is broken by a mistake of ours is no success', async () => {
    const trail = new AuditTrail({ store: { ...filling(), write: () => Promise.reject(new TypeError('a mistake')) }, clock, log });
    await expect(trail.record(READ)).rejects.toThrow('a mistake');
  });

  test('is named by the head that is logged at start and stop', async () => {
    const trail = trailOn();
    await trail.record(READ);
    trail.start();
    await until(() => heads.length === 1);
    await trail.record(READ);
    await trail.stop();
    expect(heads.map(({ number }) => number)).toEqual([1, 2]);
    expect((await store.audit.verify(heads[0])).bad).toBeUndefined();
  });
});

describe('refusals of access', () => {
  test('are events of their own for a few, then one with a count when the minute is over', async () => {
    const trail = trailOn();
    for (let at = 0; at < 40; at += 1) await trail.accessRefused('gateway-9 GET', REFUSED);
    await trail.accessRefused('another', REFUSED);
    expect(await events()).toHaveLength(6);
    clock.ms += 60_000;
    await trail.accessRefused('gateway-9 GET', REFUSED);
    const told = await events();
    expect(told.map(countIn)).toEqual([...Array<undefined>(6).fill(undefined), '35', undefined]);
    expect(told[6]?.agent[0]?.who?.identifier?.value).toBe('gateway-9');
  });

  test('are counted up to the end of the service', async () => {
    const trail = trailOn();
    for (let at = 0; at < 8; at += 1) await trail.accessRefused('k', REFUSED);
    await trail.stop();
    expect((await events()).map(countIn)).toEqual([...Array<undefined>(5).fill(undefined), '3']);
  });

  test('of callers without number take bounded memory and a bounded number of events', async () => {
    const trail = trailOn();
    for (let at = 0; at < 1200; at += 1) await trail.accessRefused(`kind-${at}`, REFUSED);
    expect((await store.audit.head()).number).toBe(1005);
  });

  test.each([401, 403, 429])('answered %i are recorded with caller, route and request, and answered all the same', async (status) => {
    const app = express();
    const silent = createLog('silent');
    app.use(keepNotes({ log: silent, metrics: createMetrics(store, clock), isStopping: () => false }));
    app.use(auditCalls({ audit: trailOn(), store, policy: { current: DEFAULT_POLICY, lastReloadFailed: false }, log: silent }));
    app.get('/fhir/Observation/:id', (_req, res) => {
      Object.assign(notesOf(res), { route: '/fhir/Observation/:id', caller: { client: 'gateway-9' } });
      sendFhir(res, { status, text: '{"resourceType":"OperationOutcome"}' });
    });
    const server = createServer(app).listen(0, '127.0.0.1');
    await once(server, 'listening');
    const { port } = server.address() as AddressInfo;
    const answer = await send(port, 'GET', '/fhir/Observation/MARKEDNAME', { headers: { 'X-Request-Id': 'r-5' } });
    server.close();
    expect(answer.status).toBe(status);
    const [event] = await events();
    expect(event).toMatchObject({
      outcome: '4',
      outcomeDesc: `HTTP ${status}`,
      subtype: [{ code: 'access-refused' }],
      agent: [{ who: { identifier: { value: 'gateway-9' } } }, {}],
    });
    expect(JSON.stringify(event)).toContain('GET /fhir/Observation/:id');
    expect(JSON.stringify(event)).toContain('"r-5"');
  });
});

describe('reading over HTTP while the store cannot commit', () => {
  test('goes on, and is recorded afterwards; what cannot even wait is answered 503', async () => {
    await keep(store, { id: 'w1' });
    const trail = trailOn({ retryMs: 60_000, mostWaiting: 2 });
    const edge = await startEdge({ serving: { store: filling(), audit: trail } });
    isFull = true;
    const read = async (): Promise<number> => (await edge.call('GET', '/fhir/Observation/w1')).status;
    expect([await read(), await read()]).toEqual([200, 200]);
    const refused = await edge.call('GET', '/fhir/Observation/w1');
    expect([refused.status, refused.headers['retry-after']]).toEqual([503, '5']);
    expect(refused.text).toContain('cannot be recorded');
    expect(refused.text).not.toContain('70.0');
    isFull = false;
    await trail.stop();
    expect((await events()).map(({ action }) => action)).toEqual(['R', 'R']);
    expect(await read()).toBe(200);
  });

  test('is no answer at all when recording fails by a mistake of ours', async () => {
    await keep(store, { id: 'w1' });
    const broken = {
      record: () => Promise.reject(new TypeError('x')),
      recordIfPossible: () => Promise.resolve(),
      accessRefused: () => Promise.resolve(),
    };
    const edge = await startEdge({ serving: { store: filling(), audit: broken } });
    const { status, text } = await edge.call('GET', '/fhir/Observation/w1');
    expect(status).toBe(500);
    expect(text).not.toContain('70.0');
  });
});
