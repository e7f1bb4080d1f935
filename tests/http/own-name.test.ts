/**
 * The FHIR interface while anybody may call: a site whose name resolves to loopback (DNS rebinding)
 * is of one origin with it to a browser, and must read and write nothing.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { loadConfig } from '../../src/config.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { start, type Running } from '../../src/main.ts';
import { weight } from '../measurements.ts';
import { issueCodes, send } from './edge.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-own-name-'));
let service: Running;
let port: number;
beforeAll(async () => {
  const settings = {
    STEELYARD_PORT: '0',
    STEELYARD_DATABASE: join(folder, 'ward.db'),
    STEELYARD_BASE_URL: 'https://scales.harbourlight.example/fhir',
    STEELYARD_LOG_LEVEL: 'silent',
  };
  service = await start(loadConfig(settings));
  port = Number(new URL(service.url).port);
});
afterAll(async () => {
  await service.stop();
  rmSync(folder, { recursive: true });
});

const observation = () => stringifyExact(weight('70.0', 'kg', { effectiveDateTime: new Date(Date.now() - 60_000).toISOString() }));

describe('the FHIR interface while anybody may call', () => {
  test.each([
    'evil.example',
    'localhost.evil.example',
    '127.0.0.1.evil.example',
    '10.0.0.1',
    '0.0.0.0',
    'scales.harbourlight.example.evil.example',
    '',
  ])('answers nothing under %j', async (name) => {
    const headers = { Host: `${name}:${port}`, 'Content-Type': 'application/fhir+json' };
    for (const path of ['/fhir/Observation', '/fhir/AuditEvent', '/fhir/Observation?include-held=true']) {
      const read = await send(port, 'GET', path, { headers });
      expect([read.status, issueCodes(read)], path).toEqual([403, ['forbidden']]);
    }
    const written = await send(port, 'POST', '/fhir/Observation', { headers, body: observation() });
    expect(written.status).toBe(403);
  });

  test.each(['localhost', 'LOCALHOST', '127.0.0.1', '127.8.9.10', '[::1]', 'scales.harbourlight.example', 'localhost:9'])(
    'answers under %s, which no other site can have',
    async (host) => {
      const headers = { Host: host.includes(':9') ? host : `${host}:${port}`, 'Content-Type': 'application/fhir+json' };
      expect((await send(port, 'GET', '/fhir/Observation', { headers })).status).toBe(200);
      expect((await send(port, 'POST', '/fhir/Observation', { headers, body: observation() })).status).toBe(201);
    },
  );
});
