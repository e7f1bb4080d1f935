/**
 * The hostile inputs about tokens, when they lie beside the project, against a service that asks for
 * them: every token is forged here as its name says, from a valid one of a gateway.
 */
import { createServer, type Server } from 'node:http';
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { isJsonObject, parseExactJson } from '../../src/core/json.ts';
import type { Answer } from '../http/edge.ts';
import { startGuarded, type Guarded } from '../http/auth/guarded.ts';
import { FORGERIES, forge, type Claims, type Forgery } from '../http/auth/issuer.ts';
import { CLOCK } from '../measurements.ts';
import { objects } from '../published/readings.ts';
import { sharedData } from '../shared-data.ts';
import { readCases, type HostileCase, type HostileRequest } from './cases.ts';
import { MUST_NOT, tally, type Seen } from './checks.ts';
import { sendHostile } from './sending.ts';

const FILE = sharedData('hostile/cases.jsonl');

const GATEWAY: Claims = { scope: 'system/Observation.c' };
const TOKENS: Readonly<Record<string, Claims>> = {
  gateway: GATEWAY,
  'read-only': { client_id: 'reader', sub: 'reader', scope: 'system/Observation.rs' },
};

/**
 * One store is one facility's (see DEVELOPERS.md), so there is no second one to tell apart; decisions
 * are made by an operation of the Observation, and there is no other address for them.
 */
const NOT_SO_HERE: Readonly<Record<string, (one: HostileCase) => HostileCase | undefined>> = {
  'AUTH-27': (one) => ({ ...one, request: { ...one.request, path: '/fhir/Observation/{{held:1}}/$decide' } }),
  'AUTH-29': () => undefined,
};

describe.skipIf(FILE === undefined)('hostile inputs about tokens', () => {
  const read = FILE === undefined ? [] : readCases(FILE, ['AUTH']);
  const cases = read.flatMap((one) => (NOT_SO_HERE[one.id] ? (NOT_SO_HERE[one.id]?.(one) ?? []) : [one]));
  let guarded: Guarded;
  let canary: Server;
  let canaryHits = 0;
  const sentTokens: string[] = [];

  beforeAll(async () => {
    guarded = await startGuarded({ 'gateway-a': ['scale-1'] });
    canary = createServer((_req, res) => {
      canaryHits++;
      res.end('{"keys":[]}');
    });
    canary.listen(0, '127.0.0.1');
    await once(canary, 'listening');
  });
  afterAll(() => canary.close());

  const canaryPort = (): number => (canary.address() as AddressInfo).port;

  async function tokenNamed(kind: string, name: string): Promise<string> {
    const token =
      kind === 'jwt'
        ? await forge(forgeryNamed(name), {
            key: guarded.key,
            nowMs: CLOCK.nowMs(),
            claims: GATEWAY,
            evilUrl: `http://127.0.0.1:${canaryPort()}/keys`,
          })
        : await guarded.token(TOKENS[name] ?? unknown(name));
    sentTokens.push(token);
    return token;
  }

  /** The request with its tokens: a token is forged anew each time it is sent. */
  async function withTokens(request: HostileRequest): Promise<HostileRequest> {
    let text = JSON.stringify(request).replaceAll('{{held:1}}', 'x');
    for (const [placeholder, kind = '', name = ''] of text.matchAll(/\{\{(token|jwt):([\w-]+)\}\}/g)) {
      text = text.replace(placeholder, await tokenNamed(kind, name));
    }
    return JSON.parse(text) as HostileRequest;
  }

  test.for(cases)('$id: $description', { timeout: 60_000 }, async (one) => {
    const { service } = guarded;
    const [before, logsBefore, hitsBefore, startedAt] = [await tally(service), service.logLines.length, canaryHits, performance.now()];
    const answers: Answer[] = [];
    for (let time = 0; time < (one.repeat ?? 1); time++) {
      const surroundings = { port: service.port, canaryPort: canaryPort(), nowMs: CLOCK.nowMs(), run: 'run-1' };
      const reply = await sendHostile(await withTokens(one.request), surroundings);
      if (reply.closed !== true) answers.push(reply);
    }
    const [answer] = answers;
    if (answer === undefined) throw new Error('there was no answer');
    for (const each of answers) {
      expect([one.expect.status ?? []].flat()).toContain(each.status);
      expect([one.expect.issueCode ?? []].flat().some((code) => issueCodesOf(each).includes(code))).toBe(true);
      if (each.status === 401) expect(each.headers['www-authenticate']).toMatch(/^Bearer realm=/);
    }
    const logs = service.logLines.slice(logsBefore);
    const seen: Seen = {
      service,
      answers,
      answer,
      before,
      after: await tally(service),
      logs,
      milliseconds: performance.now() - startedAt,
      canaryHits: canaryHits - hitsBefore,
      memoryGrowth: 0,
    };
    const own: Readonly<Record<string, () => void>> = {
      acceptToken: () => expect(seen.after.observations).toBe(seen.before.observations),
      logToken: () => {
        for (const part of sentTokens.flatMap((token) => token.split('.')).filter((text) => text.length > 8))
          expect(logs.join('')).not.toContain(part);
      },
      // the keys come from a file here: the key server's count has its own test (tests/http/auth/key-set.test.ts)
      outboundRequestsMoreThan: () => expect(seen.canaryHits).toBe(0),
    };
    for (const named of one.expect.mustNot ?? []) {
      const [name = ''] = named.split(':');
      const check = own[name] ?? MUST_NOT[name] ?? unknown(name);
      await check(seen, named.slice(name.length + 1));
    }
    expect(seen.canaryHits).toBe(0);
  });

  test('the cases that are told otherwise here are there', () => {
    expect(Object.keys(NOT_SO_HERE).filter((id) => !read.some((one) => one.id === id))).toEqual([]);
  });

  test('the gateway whose token is forged may post with the true one', async () => {
    const request = cases[0]?.request;
    if (!request) throw new Error('there are no cases');
    const headers = { ...request.headers, Authorization: `Bearer ${await guarded.token(GATEWAY)}` };
    const surroundings = { port: guarded.service.port, canaryPort: canaryPort(), nowMs: CLOCK.nowMs(), run: 'run-1' };
    expect(await sendHostile({ ...request, headers }, surroundings)).toMatchObject({ status: 201 });
  });
});

function forgeryNamed(name: string): Forgery {
  return name in FORGERIES ? (name as Forgery) : unknown(name);
}

function unknown(name: string): never {
  throw new Error(`nothing is written for ${name}`);
}

function issueCodesOf({ text }: Answer): unknown[] {
  const parsed = parseExactJson(text);
  return parsed.ok && isJsonObject(parsed.value) ? objects(parsed.value['issue']).map(({ code }) => code) : [];
}
