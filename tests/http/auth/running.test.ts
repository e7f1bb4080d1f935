/** The service as it is started from its settings, with tokens and gateways. */
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeAll, describe, expect, test } from 'vitest';
import { ConfigError, loadConfig } from '../../../src/config.ts';
import { createLog } from '../../../src/log.ts';
import { start, type Running } from '../../../src/main.ts';
import { NOW } from '../../measurements.ts';
import { send, type Answer } from '../edge.ts';
import { weightText } from './guarded.ts';
import { AUDIENCE, forge, gatewayClaims, ISSUER, newKey, sign, type Claims, type SigningKey } from './issuer.ts';
import { DOWN, jwksOf, serving, startKeyServer } from './key-server.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-running-'));
const keyFile = join(folder, 'keys.json');
const gatewaysFile = join(folder, 'gateways.json');
const clock = { ms: Date.parse(NOW), nowMs: () => clock.ms };

let key: SigningKey;
let running: Running | undefined;
let lines: string[];
beforeAll(async () => {
  key = await newKey('ward-1');
});
afterEach(async () => {
  await running?.stop();
  running = undefined;
});

async function startWith(settings: Readonly<Record<string, string>> = {}): Promise<Running> {
  lines = [];
  const config = loadConfig({
    STEELYARD_PORT: '0',
    STEELYARD_DATABASE: join(mkdtempSync(join(folder, 'store-')), 'ward.db'),
    STEELYARD_AUTH: 'jwt',
    STEELYARD_JWKS: keyFile,
    STEELYARD_ISSUER: ISSUER,
    STEELYARD_AUDIENCE: AUDIENCE,
    ...settings,
  });
  running = await start(config, { clock, log: createLog('info', { write: (line: string) => void lines.push(line) }) });
  return running;
}

async function call(token: string, method = 'GET', path = '/fhir/Observation', body?: string): Promise<Answer> {
  const headers = { Authorization: `Bearer ${token}`, ...(body !== undefined && { 'Content-Type': 'application/fhir+json' }) };
  return send(Number(new URL(running?.url ?? '').port), method, path, { headers, ...(body !== undefined && { body }) });
}
const tokenOf = (claims: Claims, by = key): Promise<string> => sign(by, gatewayClaims(clock.ms, claims));
const said = (message: string): boolean => lines.some((line) => line.includes(`"msg":"${message}`));

describe('a service that asks for tokens', () => {
  test('takes them by the keys of a file, follows it when it changes, and counts what it refuses', async () => {
    writeFileSync(keyFile, jwksOf([key]));
    await startWith();
    expect(said('keys for tokens loaded')).toBe(true);
    const reader = { scope: 'system/Observation.rs steelyard/operate' };
    expect((await call(await tokenOf(reader))).status).toBe(200);
    expect((await call(await forge('wrong-aud', { key, nowMs: clock.ms }))).status).toBe(401);
    const other = await newKey('ward-2');
    writeFileSync(keyFile, jwksOf([other]));
    clock.ms += 1_000;
    expect((await call(await tokenOf(reader, other))).status).toBe(200);
    expect((await call(await tokenOf(reader))).status).toBe(401);
    const metrics = await call(await tokenOf(reader, other), 'GET', '/metrics');
    expect(metrics.text.match(/^steelyard_refused_tokens_total.*$/gm)).toEqual([
      'steelyard_refused_tokens_total{reason="audience"} 1',
      'steelyard_refused_tokens_total{reason="key"} 1',
    ]);
  });

  test.each([
    ['is not there', undefined, 'cannot be read (ENOENT)'],
    ['holds something else', '{"gateways":{}}', 'holds no JWK set, an object with a list of "keys"'],
    ['holds no keys', '{"keys":[]}', 'holds 0 keys, where 1 to 100 are taken'],
    ['is broken', '{"keys":[\n{"kty":"EC",}]}', 'is not acceptable JSON: this is not well-formed JSON, line 2, column 13'],
    ['is too large', ' '.repeat(300 * 1024), 'is larger than 256 KiB'],
  ])('does not start when its key file %s: one sentence, and no line in the log', async (_what, text, reason) => {
    const path = join(mkdtempSync(join(folder, 'keys-')), 'keys.json');
    if (text !== undefined) writeFileSync(path, text);
    await expect(startWith({ STEELYARD_JWKS: path })).rejects.toThrow(
      new ConfigError([
        `STEELYARD_JWKS names a file that ${reason}: ${path}; put the public keys of the issuer there, as a JWK set that this service may read.`,
      ]),
    );
    expect(lines).toEqual([]);
  });

  test('says in the log when a key file that was good is broken later', async () => {
    writeFileSync(keyFile, jwksOf([key]));
    await startWith();
    writeFileSync(keyFile, '{}');
    clock.ms += 1_000;
    expect((await call(await tokenOf({ scope: 'system/Observation.rs' }))).status).toBe(200);
    expect(said('keys for tokens cannot be read')).toBe(true);
  });

  test('starts without its key server, answers 503, and takes tokens once the server is there', async () => {
    const server = await startKeyServer(DOWN);
    await startWith({ STEELYARD_JWKS: server.url });
    const token = await tokenOf({ scope: 'system/Observation.rs' });
    expect((await call(token)).status).toBe(503);
    expect(said('keys for tokens cannot be read')).toBe(true);
    server.answer = serving(jwksOf([key]));
    clock.ms += 5_000;
    expect((await call(token)).status).toBe(200);
    const configuration = await call(token, 'GET', '/fhir/.well-known/smart-configuration');
    expect(JSON.parse(configuration.text)).toMatchObject({ issuer: ISSUER, jwks_uri: server.url });
  });

  test('reads the gateways file again with the policy; a broken one changes nothing and is said so', async () => {
    writeFileSync(keyFile, jwksOf([key]));
    const scales = (...devices: string[]): void => writeFileSync(gatewaysFile, JSON.stringify({ gateways: { 'gateway-a': { devices } } }));
    scales('scale-1');
    const service = await startWith({ STEELYARD_GATEWAYS: gatewaysFile });
    const token = await tokenOf({});
    const dryRun = async (device: string): Promise<number> =>
      (await call(token, 'POST', '/fhir/Observation/$validate', weightText({ device: { reference: `Device/${device}` } }))).status;
    expect([await dryRun('scale-1'), await dryRun('scale-2')]).toEqual([200, 403]);
    scales('scale-2');
    service.reloadPolicy();
    expect([await dryRun('scale-1'), await dryRun('scale-2'), said('gateways loaded')]).toEqual([403, 200, true]);
    writeFileSync(gatewaysFile, '{"gateways":{"gateway-a":{"devices":["scale-1"],"s3cret":"s3cret-value"}}}');
    service.reloadPolicy();
    expect([await dryRun('scale-1'), await dryRun('scale-2'), said('gateways kept')]).toEqual([403, 200, true]);
    expect(lines.join('')).not.toContain('s3cret-value');
    // who may send for which scale is no smaller change than a threshold
    const auditor = await tokenOf({ scope: 'system/AuditEvent.rs', client_id: 'auditor', sub: 'auditor' });
    const told = async (kind: string): Promise<string> =>
      (await call(auditor, 'GET', `/fhir/AuditEvent?subtype=${kind}`)).text.replaceAll(/\s/g, '');
    while (!(await told('configuration-kept')).includes('"type":"gateways","valueString":"asbefore"'))
      await new Promise((resolve) => setTimeout(resolve, 20));
    expect(await told('configuration')).toContain('"type":"gateways","valueString":"1"');
  });

  test('does not start with a gateways file that is broken', async () => {
    writeFileSync(gatewaysFile, '{"gateways":{"g":{"devices":["a"],"x":1}}}');
    await expect(startWith({ STEELYARD_GATEWAYS: gatewaysFile })).rejects.toThrow(
      new ConfigError(['STEELYARD_GATEWAYS: "gateways.g.x": no member has this name; take it out.']),
    );
    expect(lines).toEqual([]);
  });
});

test('a service that asks for none says so, and has no smart-configuration', async () => {
  lines = [];
  running = await start(loadConfig({ STEELYARD_PORT: '0', STEELYARD_DATABASE: join(mkdtempSync(join(folder, 'open-')), 'ward.db') }), {
    clock,
    log: createLog('silent'),
  });
  expect((await call('nonsense')).status).toBe(200);
  expect((await call('nonsense', 'GET', '/fhir/.well-known/smart-configuration')).status).toBe(404);
  expect((await call('nonsense', 'GET', '/fhir/metadata')).text).toContain('Everybody who reaches the port may call');
});
