/**
 * The HTTP edge on a free loopback port: real server, real store, and an intake that the test
 * scripts. Answers are kept as raw text, so that digits can be looked at.
 */
import { once } from 'node:events';
import { request, type IncomingHttpHeaders, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { isJsonObject, parseExactJson, stringifyExact, type JsonObject } from '../../src/core/json.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { AuditTrail } from '../../src/audit-trail.ts';
import { createApp } from '../../src/http/app.ts';
import { ANYBODY_MAY } from '../../src/http/auth/auth.ts';
import { attachApp, createHttpServer, type ServerLimits } from '../../src/http/server.ts';
import type { Serving } from '../../src/http/serving.ts';
import type { Intake } from '../../src/ingest.ts';
import { createLog } from '../../src/log.ts';
import { createMetrics } from '../../src/metrics.ts';
import type { Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { closeAfterTest } from '../closing.ts';

export const CLOCK = { nowMs: () => Date.parse('2026-11-25T10:00:00Z') };

export interface Answer {
  readonly status: number;
  readonly headers: IncomingHttpHeaders;
  readonly text: string;
}

export interface Asked {
  readonly headers?: Readonly<Record<string, string>>;
  readonly body?: string | Buffer;
}

export interface Edge {
  readonly url: string;
  readonly port: number;
  readonly store: Store;
  readonly logLines: readonly string[];
  call(method: string, path: string, asked?: Asked): Promise<Answer>;
  post(path: string, body: string | Buffer, headers?: Readonly<Record<string, string>>): Promise<Answer>;
}

/** An intake of which only the parts that the test gives may be called. */
export function scriptedIntake(parts: Partial<Intake>): Intake {
  const unexpected = (name: string) => () => Promise.reject(new Error(`the test did not expect ${name}`));
  return {
    create: unexpected('create'),
    correct: unexpected('correct'),
    decide: unexpected('decide'),
    undo: unexpected('undo'),
    claim: unexpected('claim'),
    putRegistry: unexpected('putRegistry'),
    assess: unexpected('assess'),
    rehearse: unexpected('rehearse'),
    bundle: unexpected('bundle'),
    several: unexpected('several'),
    affected: unexpected('affected'),
    recall: unexpected('recall'),
    ...parts,
  };
}

export async function startEdge(
  parts: { readonly intake?: Partial<Intake>; readonly serving?: Partial<Serving>; readonly limits?: ServerLimits } = {},
): Promise<Edge> {
  const store = parts.serving?.store ?? (await openSqliteStore(':memory:', { clock: CLOCK }));
  closeAfterTest(() => store.close());
  const logLines: string[] = [];
  const server = createHttpServer(parts.limits);
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  const { port } = server.address() as AddressInfo;
  const url = `http://127.0.0.1:${port}`;
  const log = createLog('info', { write: (line: string) => void logLines.push(line) });
  attachApp(
    server,
    createApp({
      auth: ANYBODY_MAY,
      intake: () => scriptedIntake(parts.intake ?? {}),
      store,
      audit: new AuditTrail({ store, clock: CLOCK, log }),
      artefacts: [],
      rules: RULES,
      examples: new Map(),
      policy: { current: DEFAULT_POLICY, lastReloadFailed: false },
      metrics: createMetrics(store, CLOCK),
      log,
      baseUrl: `${url}/fhir`,
      version: '0.0.0-test',
      startedAt: '2026-11-25T10:00:00.000Z',
      forwards: true,
      clock: CLOCK,
      subscriptions: { targets: [], added: () => undefined },
      isStopping: () => false,
      ...parts.serving,
    }),
  );
  closeAfterTest(() => closeServer(server));
  const call: Edge['call'] = (method, path, asked) => send(port, method, path, asked);
  return {
    url,
    port,
    store,
    logLines,
    call,
    post: (path, body, headers = {}) => call('POST', path, { body, headers: { 'Content-Type': 'application/fhir+json', ...headers } }),
  };
}

async function closeServer(server: Server): Promise<void> {
  server.close();
  server.closeAllConnections();
  await once(server, 'close').catch(() => undefined);
}

export function send(port: number, method: string, path: string, { headers = {}, body }: Asked = {}): Promise<Answer> {
  return new Promise((resolve, reject) => {
    const req = request({ host: '127.0.0.1', port, method, path, headers, agent: false }, (res) => {
      const chunks: Buffer[] = [];
      res.on('data', (chunk: Buffer) => chunks.push(chunk));
      res.on('end', () => resolve({ status: res.statusCode ?? 0, headers: res.headers, text: Buffer.concat(chunks).toString('utf8') }));
      res.on('error', reject);
    });
    req.on('error', reject);
    req.end(body);
  });
}

/** The answer's body as an exact tree. Throws when it is no JSON object. */
export function treeOf({ text }: Answer): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok || !isJsonObject(parsed.value)) throw new Error(`not a JSON object: ${text.slice(0, 200)}`);
  return parsed.value;
}

/** Codes of the issues of an OperationOutcome; throws when the answer is none or lacks what each issue must have. */
export function issueCodes(answer: Answer): string[] {
  const { resourceType, issue } = treeOf(answer);
  if (resourceType !== 'OperationOutcome' || !Array.isArray(issue))
    throw new Error(`not an OperationOutcome: ${answer.text.slice(0, 200)}`);
  return issue.map((item) => {
    if (!isJsonObject(item) || typeof item['diagnostics'] !== 'string' || !isJsonObject(item['details']))
      throw new Error('an issue says nothing');
    return stringifyExact(item['code'] ?? null).replaceAll('"', '');
  });
}
