import { EventEmitter } from 'node:events';
import { describe, expect, test } from 'vitest';
import type { Auth } from '../../src/http/auth/auth.ts';
import { guard, identifyCaller } from '../../src/http/auth/door.ts';
import type { Need } from '../../src/http/auth/needs.ts';
import { RefusedToken } from '../../src/http/auth/refused-token.ts';
import { keepLanes } from '../../src/http/client-lanes.ts';
import { limitFailedLogins, stormAround } from '../../src/http/failed-logins.ts';
import { DEFAULT_LIMITS } from '../../src/http/limits.ts';
import { limitRate } from '../../src/http/rate-limit.ts';
import type { Handler, Request, Response } from '../../src/http/serving.ts';
import { MOST_KEYS, WindowCounts } from '../../src/http/window-counts.ts';
import { nameClient, startClientsApp } from './clients.ts';
import { issueCodes, startEdge, type Answer } from './edge.ts';

const statuses = (answers: readonly Answer[]): number[] => answers.map(({ status }) => status);

async function inTurn(times: number, call: () => Promise<Answer>): Promise<Answer[]> {
  const answers: Answer[] = [];
  for (let time = 0; time < times; time++) answers.push(await call());
  return answers;
}

describe('the limit of requests in a minute', () => {
  test('is answered 429 with an OperationOutcome that says throttled, and the seconds to wait', async () => {
    const edge = await startEdge({ serving: { limits: { ...DEFAULT_LIMITS, requestsPerMinute: 3 } } });
    const answers = await inTurn(4, () => edge.call('GET', '/fhir/metadata'));
    expect(statuses(answers)).toEqual([200, 200, 200, 429]);
    const last = answers[3] as Answer;
    expect(issueCodes(last)).toEqual(['throttled']);
    expect(Number(last.headers['retry-after'])).toBeGreaterThan(0);
    expect(Number(last.headers['retry-after'])).toBeLessThanOrEqual(60);
    expect(last.headers['ratelimit-policy']).toMatch(/^"client"; q=3; w=60/);
    expect(answers[0]?.headers['ratelimit']).toMatch(/^"client"; r=2; t=/);
  });

  test('stands before the body and before unknown addresses, and leaves health and metrics out', async () => {
    const edge = await startEdge({ serving: { limits: { ...DEFAULT_LIMITS, requestsPerMinute: 1 } } });
    expect((await edge.call('GET', '/nowhere')).status).toBe(404);
    expect((await edge.call('GET', '/nowhere')).status).toBe(429);
    expect((await edge.call('GET', '/rules')).status).toBe(429);
    expect((await edge.post('/fhir/Observation', 'no JSON')).status).toBe(429);
    for (const path of ['/health/live', '/health/ready', '/metrics']) expect((await edge.call('GET', path)).status).toBe(200);
  });

  test('counts the address of the connection, whatever the request says of its origin', async () => {
    const edge = await startEdge({ serving: { limits: { ...DEFAULT_LIMITS, requestsPerMinute: 2 } } });
    let from = 0;
    const answers = await inTurn(3, () =>
      edge.call('GET', '/fhir/metadata', {
        headers: { 'X-Forwarded-For': `10.0.0.${from++}`, Forwarded: `for=10.0.0.${from}`, 'X-Real-IP': `10.0.0.${from}` },
      }),
    );
    expect(statuses(answers)).toEqual([200, 200, 429]);
    expect(edge.logLines.filter((line) => !line.includes('"msg":"answered"'))).toEqual([]);
  });

  test('counts each client by itself, and gives one a limit of its own', async () => {
    const limitOf = (client: string) => (client === 'busy ward' ? 3 : undefined);
    const app = await startClientsApp([nameClient, limitRate({ requestsPerMinute: 1, limitOf })]);
    expect(statuses(await inTurn(2, () => app.call('one')))).toEqual([200, 429]);
    expect(statuses(await inTurn(2, () => app.call('two')))).toEqual([200, 429]);
    expect(statuses(await inTurn(4, () => app.call('busy ward')))).toEqual([200, 200, 200, 429]);
    expect(statuses(await inTurn(2, () => app.call()))).toEqual([200, 429]);
  });
});

describe('counts over a window', () => {
  const at = { nowMs: 0 };
  const clock = { nowMs: () => at.nowMs };

  test('begin anew when the window has ended', () => {
    at.nowMs = 0;
    const counts = new WindowCounts({ windowMs: 1000, clock });
    expect([counts.increment('a').totalHits, counts.increment('a').totalHits]).toEqual([1, 2]);
    at.nowMs = 999;
    expect(counts.get('a')?.totalHits).toBe(2);
    at.nowMs = 1000;
    expect(counts.get('a')).toBeUndefined();
    expect(counts.increment('a')).toEqual({ totalHits: 1, resetTime: new Date(2000) });
  });

  test('take bounded memory: what comes when they are full shares one count, but for keys that are known', () => {
    at.nowMs = 0;
    const counts = new WindowCounts({ windowMs: 1000, clock, isKnown: (key) => key.startsWith('client') });
    for (let number = 0; number < 3 * MOST_KEYS; number++) counts.increment(`address ${number}`);
    expect(counts.size).toBe(MOST_KEYS + 1);
    expect(counts.get('address 1')?.totalHits).toBe(1);
    expect(counts.get('address never seen')?.totalHits).toBe(2 * MOST_KEYS);
    // what others did is told of nobody by name
    expect([counts.own('address 1')?.totalHits, counts.own('address never seen')]).toEqual([1, undefined]);
    expect(counts.increment('client one').totalHits).toBe(1);
    at.nowMs = 1000;
    counts.increment('address 1');
    expect(counts.size).toBe(1);
  });
});

describe('failed logins', () => {
  const verified: string[] = [];
  const auth: Auth = {
    tokens: {
      issuer: 'https://login.harbourlight.example',
      holderOf: (token) => {
        verified.push(token);
        if (token.startsWith('expired')) return Promise.reject(new RefusedToken('expired'));
        return Promise.resolve({ client: token, grants: { interactions: new Set(['Observation.r']), roles: new Set() } });
      },
    },
  };
  const NEEDS_ONE: Need = { kind: 'scope', type: 'Observation', letters: ['r'] };
  const start = (limits: { readonly failedLoginsPerCredential: number; readonly failedLoginsPerAddress: number }, need = NEEDS_ONE) => {
    verified.length = 0;
    return startClientsApp([limitFailedLogins(limits), identifyCaller(auth), guard(auth, need)]);
  };

  test('with one credential are answered 429 after some, and the credential is looked at no more', async () => {
    const app = await start({ failedLoginsPerCredential: 3, failedLoginsPerAddress: 100 });
    const answers = await inTurn(6, () => app.call('expired'));
    expect(statuses(answers)).toEqual([401, 401, 401, 429, 429, 429]);
    expect(issueCodes(answers[3] as Answer)).toEqual(['throttled']);
    expect(Number(answers[3]?.headers['retry-after'])).toBeGreaterThan(0);
    expect(Number(answers[3]?.headers['retry-after'])).toBeLessThanOrEqual(60);
    expect(verified).toHaveLength(3);
  });

  test('of one gateway shut out no other at the same address', async () => {
    const app = await start({ failedLoginsPerCredential: 3, failedLoginsPerAddress: 100 });
    await inTurn(5, () => app.call('expired'));
    expect(statuses(await inTurn(2, () => app.call('other')))).toEqual([200, 200]);
  });

  test('with ever new credentials are told to come later; a good one that nobody has seen is served', async () => {
    const app = await start({ failedLoginsPerCredential: 3, failedLoginsPerAddress: 5 });
    let tried = 0;
    const answers = await inTurn(7, () => app.call(`expired-${tried++}`));
    expect(statuses(answers)).toEqual([401, 401, 401, 401, 401, 429, 429]);
    expect(statuses([await app.call('fresh'), await app.call(), await app.call('fresh')])).toEqual([200, 429, 200]);
  });

  test('of more credentials than are counted one by one put no fresh one among those that failed', () => {
    const limit = limitFailedLogins({ failedLoginsPerCredential: 1, failedLoginsPerAddress: 1 });
    const call = (credential: string): Response => {
      const req = { get: () => credential, socket: { remoteAddress: '127.0.0.1' } } as unknown as Request;
      const res = Object.assign(new EventEmitter(), { statusCode: 401 }) as unknown as Response;
      void limit(req, res, () => undefined);
      return res;
    };
    for (let number = 0; number < MOST_KEYS + 10; number++) call(`bad ${number}`).emit('finish');
    expect(stormAround(call('bad 1'))).toMatchObject({ isLookedAt: false });
    expect(stormAround(call('fresh'))).toMatchObject({ isLookedAt: true });
  });

  test('close nothing that needs no token', async () => {
    const app = await start({ failedLoginsPerCredential: 1, failedLoginsPerAddress: 1 });
    expect(statuses(await inTurn(3, () => app.call()))).toEqual([401, 429, 429]);
    const edge = await startEdge({
      serving: { auth, limits: { ...DEFAULT_LIMITS, failedLoginsPerCredential: 1, failedLoginsPerAddress: 1 } },
    });
    const headers = { Authorization: 'Bearer expired' };
    expect(statuses(await inTurn(2, () => edge.call('GET', '/fhir/Observation', { headers })))).toEqual([401, 429]);
    for (const path of ['/fhir/metadata', '/rules', '/health/ready'])
      expect(statuses([await edge.call('GET', path, { headers }), await edge.call('GET', path)])).toEqual([200, 200]);
  });
});

describe('requests of one client at one time', () => {
  /** Answers only when it is told to. */
  function held() {
    const inside: { readonly client: string; readonly res: Response }[] = [];
    const handle: Handler = (req, res) => void inside.push({ client: req.get('authorization') ?? 'none', res });
    const until = async (count: number) => {
      while (inside.length < count) await new Promise((resolve) => setImmediate(resolve));
    };
    return { inside, handle, until };
  }
  const turns = async () => {
    for (let turn = 0; turn < 50; turn++) await new Promise((resolve) => setImmediate(resolve));
  };

  test('wait in order behind those that are worked on, and keep nobody else waiting', async () => {
    const { inside, handle, until } = held();
    const app = await startClientsApp([nameClient, keepLanes({ mostAtWorkPerClient: 2, mostWaitingPerClient: 10 })], handle);
    const greedy = Array.from({ length: 6 }, () => app.call('greedy'));
    await until(2);
    await turns();
    expect(inside).toHaveLength(2);
    const modest = app.call('modest');
    await until(3);
    expect(inside[2]?.client).toBe('Bearer modest');
    inside[2]?.res.end();
    expect((await modest).status).toBe(200);

    inside[0]?.res.end();
    await until(4);
    for (let next = 1; next < 7; next++) {
      await until(next + 1);
      if (next !== 2) inside[next]?.res.end();
    }
    expect(statuses(await Promise.all(greedy))).toEqual([200, 200, 200, 200, 200, 200]);
  });

  test('beyond what may wait are answered 429', async () => {
    const { inside, handle, until } = held();
    const app = await startClientsApp([nameClient, keepLanes({ mostAtWorkPerClient: 1, mostWaitingPerClient: 1 })], handle);
    const settled: number[] = [];
    const all = Array.from({ length: 4 }, () => app.call('greedy').then((answer) => settled.push(answer.status)));
    await until(1);
    while (settled.length < 2) await turns();
    expect(settled).toEqual([429, 429]);
    inside[0]?.res.end();
    await until(2);
    inside[1]?.res.end();
    await Promise.all(all);
    expect(settled).toEqual([429, 429, 200, 200]);
  });
});
