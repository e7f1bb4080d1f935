import { rmSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { sendWardDay } from '../../examples/simulator/gateway.ts';
import { tokenIn } from '../../examples/simulator/token-file.ts';
import { wardDay } from '../../examples/simulator/ward-day.ts';
import type { Auth } from '../../src/http/auth/auth.ts';
import { createAuth } from '../../src/http/auth/create-auth.ts';
import { AUDIENCE, gatewayClaims, ISSUER, newKey, sign, type Claims } from '../http/auth/issuer.ts';
import { jwksOf } from '../http/auth/key-server.ts';
import { policyWith, startService, type Service } from '../service.ts';
import { passingFolder, steelyard, writeIn } from './command.ts';

const services: Service[] = [];
const startOne = async (overrides: Readonly<Record<string, unknown>> = {}, auth?: Auth): Promise<Service> => {
  const service = await startService({ now: () => Date.now(), policy: policyWith(overrides), ...(auth && { auth }) });
  services.push(service);
  return service;
};
afterAll(async () => {
  for (const service of services) await service.close();
});

describe('steelyard simulate', () => {
  let service: Service;
  beforeAll(async () => {
    service = await startOne();
  });

  test('sends the day, counts the answers and exits 0, also for another day', async () => {
    for (const seed of ['1', '2']) {
      const { exitCode, stdout, stderr } = await steelyard(['simulate', '--url', `${service.base}/`, '--seed', seed, '--pace', '0']);
      expect(stderr).toBe('');
      expect(stdout).toContain('45 of 45 readings answered');
      expect(stdout).toContain('34 accepted, 1 corrected, 4 held, 5 refused, 1 known already (sent twice).');
      expect(stdout).not.toContain('\u001B');
      expect(exitCode).toBe(0);
    }
    expect(await service.store.read.countObservations({ includeHeld: false, codes: [{ value: '39156-5' }] })).toBe(30);
  });

  test('sends as many people as it is told to', async () => {
    const { exitCode, stdout } = await steelyard(['simulate', '--url', service.base, '--people', '3', '--seed', '9', '--pace', '0']);
    expect(stdout).toContain('Harbourlight Ward: 3 invented people, 7 readings, seed 9.');
    expect(exitCode).toBe(0);
  });

  test('says what came out otherwise and exits 1, as with a policy of the site', async () => {
    const { base } = await startOne({ metricOnly: true });
    const { exitCode, stdout } = await steelyard(['simulate', '--url', base, '--people', '2', '--pace', '0']);
    expect(stdout).toMatch(/Bed 2, [\d.]+ lb \(standing scale in pounds\): expected accepted, got refused by metric-only/);
    expect(exitCode).toBe(1);
  });

  test('exits 2 when nobody answers, or the address is none', async () => {
    const gone = await startService({ now: () => Date.now() });
    await gone.close();
    const { exitCode, stderr } = await steelyard(['simulate', '--url', gone.base, '--pace', '0']);
    expect(stderr).toContain('Is the service running there?');
    expect(exitCode).toBe(2);
    const elsewhere = await steelyard(['simulate', '--url', service.base.replace('/fhir', ''), '--pace', '0']);
    expect(elsewhere.stderr).toContain('has its own below /fhir');
    expect(elsewhere.exitCode).toBe(2);
    for (const bad of [
      ['--url', 'ftp://127.0.0.1/'],
      ['--people', '0'],
      ['--seed', 'x'],
    ]) {
      expect(await steelyard(['simulate', ...bad])).toMatchObject({ exitCode: 2 });
    }
  });
});

describe('steelyard simulate with a token', () => {
  const folder = passingFolder();
  const tokenFile = join(folder, 'gateway.token');
  const scope = 'system/Observation.cu system/Patient.u system/Device.u';
  let auth: Auth & { readonly tokens: NonNullable<Auth['tokens']> };
  let tokenOf: (claims: Claims) => Promise<string>;
  let service: Service;
  const run = (...more: string[]) => steelyard(['simulate', '--url', service.base, '--people', '2', '--pace', '0', ...more]);

  beforeAll(async () => {
    const key = await newKey('ward-1');
    const jwks = writeIn(folder, 'keys.json', jwksOf([key]));
    const clock = { nowMs: () => Date.now() };
    const { tokens } = await createAuth({ jwks, issuer: ISSUER, audience: AUDIENCE }, { clock, gateways: () => undefined });
    if (tokens === undefined) throw new Error('the service would ask for no token');
    auth = { tokens };
    tokenOf = (claims) => sign(key, gatewayClaims(Date.now(), claims));
    service = await startOne({}, auth);
  });

  test('sends the day to a service that asks for one, and never shows it', async () => {
    const token = await tokenOf({ scope });
    writeFileSync(tokenFile, `${token}\n`);
    const { exitCode, stdout, stderr } = await run('--token-file', tokenFile);
    expect([exitCode, stderr]).toEqual([0, '']);
    expect(stdout).toContain('Every answer was the one that the built-in policy gives.');
    for (const part of token.split('.')) expect(stdout).not.toContain(part);
  });

  test.each([
    ['without one', undefined, 'asks for a bearer token (401). Give a file that holds one (--token-file)'],
    ['with one that has expired', { scope, exp: 1_000_000_000, nbf: 1 }, 'does not take the token (401)'],
    ['with one that allows too little', { scope: 'system/Observation.cu' }, 'does not allow this (403)'],
  ])('exits 2 %s and says what is needed', async (_how, claims, sentence) => {
    if (claims) writeFileSync(tokenFile, await tokenOf(claims));
    const { exitCode, stderr } = await run(...(claims ? ['--token-file', tokenFile] : []));
    expect(stderr).toContain(sentence);
    expect(exitCode).toBe(2);
  });

  test('exits 2 when the file is not there or holds something else, and shows nothing of it', async () => {
    writeFileSync(tokenFile, 'Bearer s3cret');
    const odd = await run('--token-file', tokenFile);
    expect(odd).toMatchObject({ exitCode: 2, stderr: expect.stringContaining('holds no bearer token') as string });
    expect(odd.stderr).not.toContain('s3cret');
    rmSync(tokenFile);
    expect(await run('--token-file', tokenFile)).toMatchObject({ exitCode: 2, stderr: expect.stringContaining('ENOENT') as string });
  });

  test('sends a token over nothing that others can read', async () => {
    writeFileSync(tokenFile, await tokenOf({ scope }));
    const { exitCode, stderr } = await steelyard(['simulate', '--url', 'http://scales.ward.example/fhir', '--token-file', tokenFile]);
    expect([exitCode, stderr]).toEqual([2, expect.stringContaining('--url must be an https address while --token-file is given')]);
  });

  test('goes on with a token that was renewed between two calls, or between a call and its refusal', async () => {
    const renewed = await tokenOf({ scope, client_id: 'gateway-b', sub: 'gateway-b' });
    const clients: (string | undefined)[] = [];
    let isExpired = false;
    const holderOf = async (token: string) => {
      if (isExpired && token !== renewed) {
        writeFileSync(tokenFile, renewed);
        token = await tokenOf({ scope, exp: 1_000_000_000, nbf: 1 });
      }
      const holder = await auth.tokens.holderOf(token);
      clients.push(holder.client);
      return holder;
    };
    const { base } = await startOne({}, { tokens: { ...auth.tokens, holderOf } });
    writeFileSync(tokenFile, await tokenOf({ scope }));
    const day = wardDay({ seed: 1, nowMs: Date.now(), people: 2 });
    const answers = await sendWardDay(day, { base, paceMs: 0, token: tokenIn(tokenFile), onAnswer: () => (isExpired = true) });
    expect(answers.every(({ isAsExpected }) => isAsExpected)).toBe(true);
    expect([...new Set(clients)]).toEqual(['gateway-a', 'gateway-b']);
    expect(clients.filter((client) => client === 'gateway-a')).toHaveLength(day.registrations.length + 1);
  });
});
