/**
 * Hostile and odd inputs through a real socket, when they lie beside the project: each gets one
 * of the answers that the standards allow, and does none of the harm that it tries to do.
 */
import { createServer, type Server } from 'node:http';
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { isJsonObject, parseExactJson } from '../../src/core/json.ts';
import type { Answer } from '../http/edge.ts';
import { objects, patientText, putEntry, postBatch } from '../published/readings.ts';
import { startService, type Service } from '../service.ts';
import { sharedData } from '../shared-data.ts';
import { readCases, type HostileCase } from './cases.ts';
import { MUST, MUST_NOT, tally, type Seen } from './checks.ts';
import { sendHostile, type Reply } from './sending.ts';

const FILE = sharedData('hostile/cases.jsonl');
const CATEGORIES = ['OK', 'PARSE', 'NUM', 'UNIT', 'PROF', 'HTTP', 'BUNDLE', 'INJ', 'SSRF', 'IDEM'];

/** Cases in which this service decides otherwise than the list, and why. */
const DECIDED_OTHERWISE: Readonly<Record<string, { readonly status: number; readonly why: string }>> = {};

const START = Date.parse('2026-03-02T10:00:00Z');
const MINUTE = 60_000;

describe.skipIf(FILE === undefined)('hostile inputs', () => {
  const cases = FILE === undefined ? [] : readCases(FILE, CATEGORIES);
  let service: Service;
  let canary: Server;
  let canaryHits = 0;
  let nowMs = START;

  beforeAll(async () => {
    service = await startService({ now: () => nowMs });
    canary = createServer((_req, res) => {
      canaryHits++;
      res.end();
    });
    canary.listen(0, '127.0.0.1');
    await once(canary, 'listening');
    const mrn = '"identifier":[{"system":"urn:example:mrn","value":"MRN-TWICE"}],';
    const people = ['ada-invented', 'ben-invented'].map((id) =>
      putEntry(patientText(id, '1985-06-01', 'female').replace('"birthDate"', `${mrn}"birthDate"`), `Patient/${id}`),
    );
    const scale = putEntry('{"resourceType":"Device","id":"scale-1"}', 'Device/scale-1');
    const answers = await postBatch(service, [...people, scale]);
    expect(answers.map(({ status }) => status)).toEqual([201, 201, 201]);
  });
  afterAll(async () => {
    canary.close();
    await service.close();
  });

  async function sendAll(one: HostileCase): Promise<Reply[]> {
    nowMs += MINUTE; // each case measures at a time of its own
    const surroundings = { port: service.port, canaryPort: (canary.address() as AddressInfo).port, nowMs, run: 'run-1' };
    const replies: Reply[] = [];
    for (let time = 0; time < (one.repeat ?? 1); time++) replies.push(await sendHostile(one.request, surroundings));
    return replies;
  }

  test.for(cases)('$id: $description', { timeout: 60_000 }, async (one) => {
    const before = await tally(service);
    const logsBefore = service.logLines.length;
    const hitsBefore = canaryHits;
    const heapBefore = process.memoryUsage().heapUsed;
    const startedAt = performance.now();
    const replies = await sendAll(one);
    const milliseconds = performance.now() - startedAt;
    const memoryGrowth = process.memoryUsage().heapUsed - heapBefore;

    const alive = await service.call('GET', '/health/live');
    expect(alive.status).toBe(200);
    const answers = replies.filter((reply): reply is Answer => reply.closed !== true);
    const [answer] = answers;
    if (answer === undefined) {
      expect(one.orClose, 'the connection was closed without an answer').toBe(true);
      return;
    }
    const seen: Seen = {
      service,
      answers,
      answer,
      before,
      after: await tally(service),
      logs: service.logLines.slice(logsBefore),
      milliseconds,
      canaryHits: canaryHits - hitsBefore,
      memoryGrowth,
    };
    for (const each of answers) expectAnswer(one, each);
    for (const name of one.expect.mustNot ?? []) await runCheck(MUST_NOT, name, seen);
    for (const name of one.expect.must ?? []) await runCheck(MUST, name, seen);
  });

  test('the table of other decisions names cases that exist', () => {
    expect(Object.keys(DECIDED_OTHERWISE).filter((id) => !cases.some((one) => one.id === id))).toEqual([]);
  });
});

function expectAnswer({ id, expect: wanted, allowAlso = [], issueOnlyIfRefused = false }: HostileCase, answer: Answer): void {
  const decided = DECIDED_OTHERWISE[id];
  const isSuccess = answer.status >= 200 && answer.status < 300;
  if (decided) expect(answer.status, decided.why).toBe(decided.status);
  else if (wanted.statusClass) expect(isSuccess || allowAlso.includes(answer.status), `${answer.status}: ${answer.text}`).toBe(true);
  else expect([wanted.status ?? [], allowAlso].flat(2), answer.text).toContain(answer.status);
  if (wanted.issueCode === undefined || (isSuccess && issueOnlyIfRefused)) return;
  const codes = issueCodesOf(answer);
  expect(
    [wanted.issueCode].flat().some((code) => codes.includes(code)),
    codes.join(', '),
  ).toBe(true);
}

function issueCodesOf({ text }: Answer): unknown[] {
  const parsed = parseExactJson(text);
  return parsed.ok && isJsonObject(parsed.value) ? objects(parsed.value['issue']).map(({ code }) => code) : [];
}

async function runCheck(checks: typeof MUST, named: string, seen: Seen): Promise<void> {
  const [name = ''] = named.split(':');
  const check = checks[name];
  if (check === undefined) throw new Error(`no check is written for ${name}`);
  await check(seen, named.slice(name.length + 1));
}
