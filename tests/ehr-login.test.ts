/** The whole service with a login at the EHR: what it forwards, and what it refuses to start with. */
import { generateKeyPairSync } from 'node:crypto';
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as pause } from 'node:timers/promises';
import { afterEach, describe, expect, it } from 'vitest';
import { startReceiver } from '../examples/receiver/receiver.ts';
import { ConfigError, loadConfig } from '../src/config.ts';
import { createLog } from '../src/log.ts';
import { start, type Running } from '../src/main.ts';
import { CLIENT_ID, keyPair, startAuthorizationServer } from './forward/authorization-server.ts';
import { startGuardedEhr } from './forward/guarded-ehr.ts';
import { AUTHORITY, CLIENT_CERTIFICATE, CLIENT_KEY, RENEWED_KEY } from './forward/test-certificates.ts';
import { send } from './http/edge.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-login-'));
const closing: (() => Promise<void>)[] = [];
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
});

function file(name: string, content: unknown): string {
  const path = join(folder, name);
  writeFileSync(path, typeof content === 'string' ? content : JSON.stringify(content));
  return path;
}

const PATIENT = 'Patient/lantern-invented';
const WEIGHT =
  '{"resourceType":"Observation","status":"final","category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}],' +
  `"code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":"${PATIENT}"},"effectiveDateTime":"INSTANT",` +
  '"valueQuantity":{"value":70.0,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}';

describe('a service with a login', () => {
  it('forwards a reading to an EHR that demands a token, and no log line or figure holds it', async () => {
    const pair = await keyPair('RS384', 'ward-key');
    const authorization = await startAuthorizationServer('RS384', pair.publicKey);
    const receiver = await startReceiver({ port: 0 });
    const guarded = await startGuardedEhr(authorization, receiver.url);
    closing.push(
      () => authorization.close(),
      () => receiver.close(),
      () => guarded.close(),
    );
    const lines: string[] = [];
    const config = loadConfig({
      STEELYARD_PORT: '0',
      STEELYARD_DATABASE: join(folder, 'ward.db'),
      STEELYARD_EHR_URL: guarded.url,
      STEELYARD_EHR_TOKEN_URL: authorization.tokenUrl,
      STEELYARD_EHR_CLIENT_ID: CLIENT_ID,
      STEELYARD_EHR_KEY_FILE: file('ward-key.json', { keys: [pair.privateKey] }),
      STEELYARD_EHR_CA_FILE: file('ca.pem', AUTHORITY),
      STEELYARD_EHR_CERT_FILE: file('cert.pem', CLIENT_CERTIFICATE),
      STEELYARD_EHR_CERT_KEY_FILE: file('key.pem', CLIENT_KEY),
      STEELYARD_LOG_LEVEL: 'trace',
    });
    const running: Running = await start(config, { log: createLog('trace', { write: (line: string) => void lines.push(line) }) });
    closing.push(() => running.stop());
    const port = Number(new URL(running.url).port);
    const taken = await send(port, 'POST', '/fhir/Observation', {
      headers: { 'Content-Type': 'application/fhir+json' },
      body: WEIGHT.replace('INSTANT', new Date().toISOString()),
    });
    expect(taken.status).toBe(201);
    while (guarded.statuses.length === 0) await pause(10);
    expect(receiver.bundles()[0]).toContain('"value":70.0,');
    expect([new Set(guarded.statuses), authorization.requests.length]).toEqual([new Set([200]), 1]);

    const metrics = (await send(port, 'GET', '/metrics')).text;
    const certificateEnds = Number(/^steelyard_expiry_timestamp_seconds\{what="ehr-certificate"\} (\S+)$/m.exec(metrics)?.[1]);
    expect(certificateEnds - Date.now() / 1000).toBeGreaterThan(30_000 * 86_400);
    expect(Math.abs(Number(/^steelyard_ehr_clock_difference_seconds (\S+)$/m.exec(metrics)?.[1]))).toBeLessThan(10);
    const assertion = authorization.requests[0]?.get('client_assertion') ?? 'none';
    const outside = lines.join('\n') + metrics;
    const secrets = [assertion, String(pair.privateKey.d), 'Bearer'];
    expect(secrets.filter((secret) => outside.includes(secret))).toEqual([]);
  });

  it('has no figures for what it does not have', async () => {
    const running = await start(
      loadConfig({ STEELYARD_PORT: '0', STEELYARD_DATABASE: join(folder, 'bare.db'), STEELYARD_LOG_LEVEL: 'silent' }),
    );
    closing.push(() => running.stop());
    const { text } = await send(Number(new URL(running.url).port), 'GET', '/metrics');
    expect(text).not.toMatch(/^steelyard_(expiry|ehr_clock)_/m);
  });
});

describe('the start is refused', () => {
  const good = async () => (await keyPair('ES384', 'k')).privateKey;
  const short = (): object => ({
    ...generateKeyPairSync('rsa', { modulusLength: 1024 }).privateKey.export({ format: 'jwk' }),
    kid: 'short',
  });
  const p256 = (): object => ({ ...generateKeyPairSync('ec', { namedCurve: 'P-256' }).privateKey.export({ format: 'jwk' }), kid: 'p256' });

  const problemsWith = async (settings: Readonly<Record<string, string>>): Promise<readonly string[]> => {
    try {
      const running = await start(loadConfig({ STEELYARD_PORT: '0', STEELYARD_DATABASE: join(folder, 'refused.db'), ...settings }));
      await running.stop();
      return [];
    } catch (error) {
      if (error instanceof ConfigError) return error.problems;
      throw error;
    }
  };

  it.each<readonly [string, () => unknown, string]>([
    [
      'with a key of another algorithm',
      p256,
      'the file must hold an RSA key for RS384 or a P-384 key for ES384; its newest key is of another kind.',
    ],
    ['with an RSA key that is too short', short, 'the file must hold an RSA key of 2048 bits or more.'],
    ['with a key file that is none', () => 'not a key', 'the file is not acceptable JSON.'],
    ['without its key file', () => undefined, 'the file cannot be read (ENOENT).'],
  ])('%s', async (_what, key, problem) => {
    const value = key();
    expect(
      await problemsWith({
        STEELYARD_EHR_URL: 'https://ehr.example/fhir',
        STEELYARD_EHR_TOKEN_URL: 'https://ehr.example/token',
        STEELYARD_EHR_CLIENT_ID: CLIENT_ID,
        STEELYARD_EHR_KEY_FILE: value === undefined ? join(folder, 'missing.json') : file('refused.json', value),
      }),
    ).toEqual([`STEELYARD_EHR_KEY_FILE: ${problem}`]);
  });

  it('with a certificate and the key of another', async () => {
    expect(
      await problemsWith({
        STEELYARD_EHR_URL: 'https://ehr.example/fhir',
        STEELYARD_EHR_CERT_FILE: file('c.pem', CLIENT_CERTIFICATE),
        STEELYARD_EHR_CERT_KEY_FILE: file('k.pem', RENEWED_KEY),
      }),
    ).toEqual(['STEELYARD_EHR_CERT_KEY_FILE: the file holds no private key (PEM, without a passphrase) that belongs to the certificate.']);
  });

  it('with a login but no EHR, and with an EHR that tokens would go to in the open', async () => {
    const login = {
      STEELYARD_EHR_TOKEN_URL: 'https://ehr.example/token',
      STEELYARD_EHR_CLIENT_ID: CLIENT_ID,
      STEELYARD_EHR_KEY_FILE: file('good.json', await good()),
    };
    expect(await problemsWith(login)).toEqual(['STEELYARD_EHR_TOKEN_URL means nothing without STEELYARD_EHR_URL.']);
    expect(await problemsWith({ ...login, STEELYARD_EHR_URL: 'http://ehr.example/fhir' })).toEqual([
      expect.stringMatching(/^STEELYARD_EHR_URL must be an https URL while STEELYARD_EHR_TOKEN_URL is set/),
    ]);
  });
});
