import { EventEmitter, once } from 'node:events';
import { connect } from 'node:net';
import { describe, expect, test } from 'vitest';
import { DEFAULT_LIMITS, type Limits } from '../../src/http/limits.ts';
import { LoadGate, type LoadParts } from '../../src/http/load-shedding.ts';
import { MOST_LINES_A_SECOND, RequestLog } from '../../src/http/request-log.ts';
import type { Response } from '../../src/http/serving.ts';
import type { Intake } from '../../src/ingest.ts';
import { MOST_WAITING } from '../../src/store/writer-queue.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { raw, statusesIn } from './bare-socket.ts';
import { CLOCK, issueCodes, startEdge } from './edge.ts';

/** All of a response that the gate looks at. */
const newResponse = (): Response => new EventEmitter() as never;

const limits = (changes: Partial<Limits>): Limits => ({ ...DEFAULT_LIMITS, ...changes });

describe('a request is not taken in', () => {
  const calm: LoadParts = {
    limits: DEFAULT_LIMITS,
    store: { waitingUnits: () => 0 },
    metrics: { shed: () => undefined },
    isStopping: () => false,
    pressure: { loopDelayMs: () => 0, heapShare: () => 0 },
  };

  test.each<[string, Partial<LoadParts>, string, string | undefined]>([
    ['while the service stops', { isStopping: () => true }, 'GET', 'stopping'],
    ['while as many units wait for the store as may', { store: { waitingUnits: () => 1_000 } }, 'POST', 'store'],
    ['of a read, however many units wait to be written', { store: { waitingUnits: () => 1_000 } }, 'GET', undefined],
    ['while the event loop runs late', { pressure: { loopDelayMs: () => 251, heapShare: () => 0 } }, 'GET', 'event-loop'],
    ['while it is just in time', { pressure: { loopDelayMs: () => 250, heapShare: () => 0.8 } }, 'GET', undefined],
    ['while the heap is nearly full', { pressure: { loopDelayMs: () => 0, heapShare: () => 0.81 } }, 'GET', 'heap'],
    ['of a service that is well', {}, 'POST', undefined],
  ])('%s', (_, changes, method, reason) => {
    const reasons: string[] = [];
    const gate = new LoadGate({ ...calm, ...changes, metrics: { shed: (why) => void reasons.push(why) } });
    const admit = () => gate.admit({ method } as never, newResponse());
    if (reason === undefined) expect(admit).not.toThrow();
    else expect(admit).toThrow(expect.objectContaining({ code: 'ERR_BUSY' }) as Error);
    expect(reasons).toEqual(reason === undefined ? [] : [reason]);
  });

  test('when its body does not fit beside the others, though one alone is taken at any size', () => {
    const gate = new LoadGate({ ...calm, limits: { ...DEFAULT_LIMITS, mostBodyBytes: 100 } });
    const responses: [Response, Response, Response] = [newResponse(), newResponse(), newResponse()];
    const [first, second, third] = responses;
    for (const res of responses) gate.admit({ method: 'POST' } as never, res);
    gate.makeRoom(first, 150);
    expect(() => gate.makeRoom(second, 1)).toThrow(expect.objectContaining({ code: 'ERR_BUSY' }) as Error);
    gate.makeRoom(first, 60);
    gate.makeRoom(second, 40);
    expect(() => gate.makeRoom(third, 1)).toThrow(expect.objectContaining({ code: 'ERR_BUSY' }) as Error);
    first.emit('close');
    expect(() => gate.makeRoom(third, 60)).not.toThrow();
  });

  test('for the sake of answers that only wait for something to tell: those take nobody’s place', () => {
    const gate = new LoadGate({ ...calm, limits: { ...DEFAULT_LIMITS, mostAtWork: 1 } });
    const [open, next] = [newResponse(), newResponse()];
    gate.admit({ method: 'GET' } as never, open);
    gate.begin(open);
    expect(() => gate.admit({ method: 'GET' } as never, next)).toThrow();
    gate.rest(open);
    gate.rest(open);
    gate.admit({ method: 'GET' } as never, next);
    gate.begin(next);
    open.emit('close');
    expect(gate.atWork).toBe(1);
    next.emit('close');
    expect(gate.atWork).toBe(0);
  });

  test('once as many are worked on as may, and taken in again when one has its answer', () => {
    const gate = new LoadGate({ ...calm, limits: { ...DEFAULT_LIMITS, mostAtWork: 1 } });
    const responses: [Response, Response] = [newResponse(), newResponse()];
    const [first, second] = responses;
    for (const res of responses) gate.admit({ method: 'POST' } as never, res);
    gate.begin(first);
    gate.begin(first);
    expect(gate.atWork).toBe(1);
    expect(() => gate.begin(second)).toThrow(expect.objectContaining({ code: 'ERR_BUSY' }) as Error);
    first.emit('close');
    expect(gate.atWork).toBe(0);
    gate.begin(second);
    second.emit('close');
    gate.begin(second);
    expect(gate.atWork).toBe(0);
  });
});

describe('a service that has enough to do', () => {
  /** An intake that answers nothing until it is told to. */
  function heldIntake() {
    const waiting: (() => void)[] = [];
    const intake: Partial<Intake> = {
      assess: () => new Promise((_resolve, reject) => waiting.push(() => reject(new Error('let go')))),
    };
    return { waiting, intake };
  }

  test('answers 503 with Retry-After, says so in its metrics, and its health checks go on', async () => {
    const { waiting, intake } = heldIntake();
    const edge = await startEdge({ intake, serving: { limits: limits({ mostAtWork: 1 }) } });
    const first = edge.post('/fhir/Observation/$validate', '{"resourceType":"Observation"}');
    while (waiting.length < 1) await new Promise((resolve) => setImmediate(resolve));

    for (const refused of [await edge.call('GET', '/fhir/metadata'), await edge.post('/fhir/Observation', '{}')]) {
      expect([refused.status, issueCodes(refused), refused.headers['retry-after']]).toEqual([503, ['transient'], '5']);
    }
    expect((await edge.call('GET', '/health/ready')).status).toBe(200);
    expect((await edge.call('GET', '/metrics')).text).toContain('steelyard_requests_shed_total{reason="at-work"} 2');
    // a line for each, with where it happened, would be most of the log when there is least room for it
    expect(edge.logLines.filter((line) => line.includes('"msg":"fault"'))).toEqual([]);
    waiting[0]?.();
    await first;
    expect((await edge.call('GET', '/fhir/metadata')).status).toBe(200);
  });

  test('counts no sender whose body is still on its way', async () => {
    const edge = await startEdge({ serving: { limits: limits({ mostAtWork: 1 }) } });
    const slow = Array.from({ length: 5 }, () => connect(edge.port, '127.0.0.1'));
    for (const socket of slow) {
      socket.write('POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 10\r\n\r\n{');
    }
    await Promise.all(slow.map((socket) => once(socket, 'connect')));
    for (let time = 0; time < 3; time++) expect((await edge.call('GET', '/fhir/metadata')).status).toBe(200);
    slow.forEach((socket) => socket.destroy());
  });

  test('that stops answers 503 and closes the connection', async () => {
    const edge = await startEdge({ serving: { isStopping: () => true } });
    const answer = await raw(edge.port, 'GET /fhir/metadata HTTP/1.1\r\nHost: x\r\n\r\n');
    expect(statusesIn(answer)).toEqual([503]);
    expect(answer).toMatch(/^Connection: close\r$/im);
    expect(answer).toMatch(/^Retry-After: 5\r$/im);
    expect(answer).toContain('transport-busy');
  });
});

test('the store takes no more units than it can hold, loses none of those, and takes others again later', async () => {
  const store = await openSqliteStore(':memory:', { clock: CLOCK });
  const units = Array.from({ length: MOST_WAITING + 5 }, (_, at) =>
    store.write((tx) => tx.addRefusal({ id: `r${at}`, receivedAt: 'now', text: '{}', outcome: '{}' })),
  );
  expect(store.waitingUnits()).toBe(MOST_WAITING);
  const results = await Promise.allSettled(units);
  expect(results.filter(({ status }) => status === 'fulfilled')).toHaveLength(MOST_WAITING);
  expect(results.at(-1)).toMatchObject({ status: 'rejected', reason: { code: 'ERR_STORE_UNAVAILABLE' } });
  expect(store.waitingUnits()).toBe(0);
  await store.write((tx) => tx.addRefusal({ id: 'later', receivedAt: 'now', text: '{}', outcome: '{}' }));
  await store.close();
});

describe('the log of a storm', () => {
  function watched() {
    const at = { nowMs: 0 };
    const lines: string[] = [];
    const log = new RequestLog(
      {
        request: ({ status }) => void lines.push(String(status)),
        leftOut: ({ status, count }) => void lines.push(`${status} x ${count}`),
      },
      () => at.nowMs,
    );
    const answer = (status: number, ruleIds: readonly string[] = []) =>
      log.answered({ requestId: 'r', method: 'POST', route: 'none', status, durationMs: 1, ruleIds });
    return { at, lines, answer };
  }

  test.each([
    [429, []],
    [401, []],
    [400, []],
    [404, []],
    [503, ['transport-busy']],
  ])('has a line for the first answers %i of a second and then a count', (status, ruleIds) => {
    const { at, lines, answer } = watched();
    for (let time = 0; time < 1000; time++) answer(status, ruleIds);
    at.nowMs = 1000;
    answer(status, ruleIds);
    const each = new Array<string>(MOST_LINES_A_SECOND).fill(String(status));
    expect(lines).toEqual([...each, `${status} x ${1000 - MOST_LINES_A_SECOND}`, String(status)]);
  });

  test.each([
    [200, []],
    [201, []],
    [202, []],
    [409, []],
    [412, []],
    [422, []],
    [500, []],
    [503, ['transport-store-unavailable']],
  ])('leaves out no answer %i', (status, ruleIds) => {
    const { lines, answer } = watched();
    for (let time = 0; time < 100; time++) answer(status, ruleIds);
    expect(lines).toHaveLength(100);
  });

  test('is short though a thousand requests are refused, and every one of them is in the metrics', async () => {
    const edge = await startEdge({ serving: { limits: limits({ requestsPerMinute: 1 }) } });
    await edge.call('GET', '/fhir/metadata');
    const many = `${'GET /fhir/metadata HTTP/1.1\r\nHost: x\r\n\r\n'.repeat(100)}GET /fhir/metadata HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n`;
    const answers = await Promise.all(Array.from({ length: 10 }, () => raw(edge.port, many)));
    expect(new Set(answers.flatMap(statusesIn))).toEqual(new Set([429]));
    expect((await edge.call('GET', '/metrics')).text).toMatch(/http_requests_total\{method="GET",route="none",status="429"\} 1010/);
    expect(edge.logLines.length).toBeLessThan(400);
  });
});
