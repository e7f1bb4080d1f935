/**
 * The whole service on a free loopback port: the real app, intake and embedded store, with the
 * clock and the policy that a test gives. What is not here is the outgoing side (`tests/forward`).
 */
import { randomUUID } from 'node:crypto';
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { overridePolicy, DEFAULT_POLICY, type Policy } from '../src/core/policy.ts';
import { RULES } from '../src/core/rules/index.ts';
import { AuditTrail } from '../src/audit-trail.ts';
import { createApp } from '../src/http/app.ts';
import { ANYBODY_MAY, type Auth } from '../src/http/auth/auth.ts';
import { DEFAULT_LIMITS, type Limits } from '../src/http/limits.ts';
import { attachApp, createHttpServer } from '../src/http/server.ts';
import { createIntake } from '../src/ingest.ts';
import { createLog } from '../src/log.ts';
import { createMetrics } from '../src/metrics.ts';
import type { Store } from '../src/ports.ts';
import { openSqliteStore } from '../src/store/sqlite.ts';
import { send, type Answer, type Asked } from './http/edge.ts';

export interface Service {
  /** FHIR base, without a slash at its end. */
  readonly base: string;
  readonly port: number;
  readonly store: Store;
  readonly logLines: readonly string[];
  call(method: string, path: string, asked?: Asked): Promise<Answer>;
  /** POST of one FHIR resource text under the FHIR base: `Observation`, or `''` for a Bundle. */
  post(path: string, body: string | Buffer, headers?: Readonly<Record<string, string>>): Promise<Answer>;
  close(): Promise<void>;
}

export interface ServiceParts {
  /** What the service takes for the present: an instant. */
  readonly now: string | (() => number);
  readonly policy?: Policy;
  /** Who may come in; everybody when absent. */
  readonly auth?: Auth;
  readonly limits?: Partial<Limits>;
  /** Where subscribers may be; nobody notifies them here. */
  readonly subscriptionTargets?: readonly string[];
}

export async function startService({
  now,
  policy = DEFAULT_POLICY,
  auth = ANYBODY_MAY,
  limits,
  subscriptionTargets = [],
}: ServiceParts): Promise<Service> {
  const clock = { nowMs: typeof now === 'string' ? () => Date.parse(now) : now };
  const store = await openSqliteStore(':memory:', { clock });
  const logLines: string[] = [];
  const server = createHttpServer();
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  const base = `http://127.0.0.1:${port}/fhir`;
  const log = createLog('info', { write: (line: string) => void logLines.push(line) });
  attachApp(
    server,
    createApp({
      audit: new AuditTrail({ store, clock, log }),
      auth,
      intake: (call) => createIntake({ call, store, clock, policy: () => policy, newId: randomUUID, knownBases: [base], forwards: true }),
      store,
      clock,
      subscriptions: { targets: subscriptionTargets, added: () => undefined },
      artefacts: [],
      rules: RULES,
      examples: new Map(),
      policy: { current: policy, lastReloadFailed: false },
      metrics: createMetrics(store, clock),
      log: createLog('info', { write: (line: string) => void logLines.push(line) }),
      baseUrl: base,
      version: '0.0.0-test',
      startedAt: new Date(clock.nowMs()).toISOString(),
      forwards: true,
      isStopping: () => false,
      // a test may send a day's readings in a second
      limits: { ...DEFAULT_LIMITS, requestsPerMinute: 1_000_000, ...limits },
    }),
  );
  const call: Service['call'] = (method, path, asked) => send(port, method, path, asked);
  return {
    base,
    port,
    store,
    logLines,
    call,
    post: (path, body, headers = {}) =>
      call('POST', `/fhir/${path}`, { body, headers: { 'Content-Type': 'application/fhir+json', ...headers } }),
    close: async () => {
      server.close();
      server.closeAllConnections();
      await store.close();
    },
  };
}

/** The default policy with overrides by name; throws when one is not understood. */
export function policyWith(overrides: Readonly<Record<string, unknown>>): Policy {
  const movable = new Set(RULES.filter(({ movable: may }) => may).map(({ id }) => id));
  const result = overridePolicy(overrides, movable);
  if (!result.ok) throw new Error(result.problems.map(({ name, problem }) => `${name}: ${problem}`).join('; '));
  return result.policy;
}
