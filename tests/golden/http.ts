/** Sends the text of a golden file to the real app on a loopback port, for what only the HTTP edge can tell. */
import { once } from 'node:events';
import type { AddressInfo } from 'node:net';
import { RULES } from '../../src/core/rules/index.ts';
import { createApp } from '../../src/http/app.ts';
import { attachApp, createHttpServer } from '../../src/http/server.ts';
import { AuditTrail } from '../../src/audit-trail.ts';
import { createLog } from '../../src/log.ts';
import { ANYBODY_MAY } from '../../src/http/auth/auth.ts';
import { createMetrics } from '../../src/metrics.ts';
import type { ExampleRequest } from '../../src/rule-examples.ts';
import type { Answered, Parts } from './call.ts';

export async function sendText(request: Extract<ExampleRequest, { readonly text: string }>, parts: Parts): Promise<Answered> {
  const { method, url, ifMatch, ifNoneExist, text } = request;
  const server = createHttpServer();
  server.listen(0, '127.0.0.1');
  await once(server, 'listening');
  attachApp(server, app(parts));
  try {
    const answer = await fetch(`http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir/${url}`, {
      method,
      body: text,
      headers: {
        'Content-Type': 'application/fhir+json',
        Prefer: 'return=OperationOutcome',
        ...(ifMatch !== undefined && { 'If-Match': ifMatch }),
        ...(ifNoneExist !== undefined && { 'If-None-Exist': ifNoneExist }),
      },
    });
    const outcome = (await answer.json()) as Answered['outcomes'][number];
    if (outcome.resourceType !== 'OperationOutcome') throw new Error(`${method} ${url} was not answered with an OperationOutcome`);
    return { status: answer.status, outcomes: [outcome] };
  } finally {
    server.close();
    server.closeAllConnections();
  }
}

function app({ store, clock, policy, intake, baseUrl }: Parts): ReturnType<typeof createApp> {
  const log = createLog('error', { write: () => undefined });
  return createApp({
    auth: ANYBODY_MAY,
    intake: () => intake,
    store,
    audit: new AuditTrail({ store, clock, log }),
    policy: { current: policy, lastReloadFailed: false },
    baseUrl,
    artefacts: [],
    rules: RULES,
    examples: new Map(),
    metrics: createMetrics(store, clock),
    log,
    version: '0.0.0-golden',
    startedAt: new Date(clock.nowMs()).toISOString(),
    forwards: true,
    isStopping: () => false,
    clock,
    subscriptions: { targets: [], added: () => undefined },
  });
}
