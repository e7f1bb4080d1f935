/** Our own hostile inputs through a real socket: each has its one answer, and does none of the harm that it tries to do. */
import { once } from 'node:events';
import { createServer, type Server } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { issueCodes, treeOf, type Answer } from '../http/edge.ts';
import { startService, type Service } from '../service.ts';
import { tally } from './checks.ts';
import { CANARY, MARKER, OWN_CASES, reading, type OwnCase } from './own-cases.ts';
import { stringifyExact } from '../../src/core/json.ts';

describe('hostile inputs of our own', () => {
  let service: Service;
  let canary: Server;
  let knocks = 0;

  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
    canary = createServer((_req, res) => {
      knocks += 1;
      res.end();
    });
    canary.on('connection', () => (knocks += 1));
    canary.listen(0, '127.0.0.1');
    await once(canary, 'listening');
  });
  afterAll(async () => {
    canary.close();
    await service.close();
  });

  function filled<Text extends string | Buffer | undefined>(text: Text): Text {
    const port = String((canary.address() as AddressInfo).port);
    return typeof text === 'string'
      ? (text.replaceAll(CANARY, `http://127.0.0.1:${port}`).replaceAll('{{canaryPort}}', port) as Text)
      : text;
  }

  function send({ method = 'POST', path = '/fhir/Observation', headers = {}, body }: OwnCase): Promise<Answer> {
    const sent = Object.fromEntries(
      Object.entries({ ...(body !== undefined && { 'Content-Type': 'application/fhir+json' }), ...headers }).map(([name, value]) => [
        name,
        filled(value),
      ]),
    );
    return service.call(method, filled(path), { headers: sent, ...(body !== undefined && { body: filled(body) }) });
  }

  test('are many, and each has a name of its own', () => {
    expect(OWN_CASES.length).toBeGreaterThan(100);
    expect(new Set(OWN_CASES.map(({ name }) => name)).size).toBe(OWN_CASES.length);
  });

  test.for(OWN_CASES)('$name', async (one) => {
    const before = await tally(service);
    const linesBefore = service.logLines.length;
    const answer = await send(one);
    expect(answer.status, answer.text.slice(0, 500)).toBe(one.status);
    if (answer.status >= 400) {
      const codes = issueCodes(answer);
      if (one.issue)
        expect(
          codes.some((code) => one.issue?.includes(code)),
          codes.join(),
        ).toBe(true);
      expect(answer.text).not.toContain(MARKER);
    }
    const after = await tally(service);
    expect(after.queued.length - before.queued.length).toBe(one.forwarded ?? 0);
    if (answer.status >= 400) expect(after.observations).toBe(before.observations);
    expect(service.logLines.slice(linesBefore).join('')).not.toContain(MARKER);
    expect(knocks).toBe(0);
    expect(Object.hasOwn(Object.prototype, 'polluted')).toBe(false);
    expect((await service.call('GET', '/health/live')).status).toBe(200);
  });

  test('leave no name behind in the metrics, and the service as able as before', async () => {
    expect((await service.call('GET', '/metrics')).text).not.toContain(MARKER);
    const answer = await service.post('Observation', stringifyExact(reading()));
    expect([answer.status, answer.headers.location]).toEqual([201, expect.stringContaining('/Observation/') as string]);
    expect(treeOf(await service.call('GET', new URL(answer.headers.location ?? '').pathname))['status']).toBe('final');
  });
});
