/** Tokens from a real OAuth server: how we ask, how long we keep them, how keys change. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { decodeJwt, decodeProtectedHeader, type JWK } from 'jose';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { NoAccessToken } from '../../src/forward/authorization.ts';
import { KeyFile } from '../../src/forward/key-file.ts';
import type { SigningAlgorithm } from '../../src/forward/signing-key.ts';
import { TokenClient } from '../../src/forward/token-client.ts';
import { CLIENT_ID, SCOPE, keyPair, startAuthorizationServer, type AuthorizationServer, type KeyPair } from './authorization-server.ts';
import { keptLog, type KeptLog } from './kept-log.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-tokens-'));
const path = join(folder, 'keys.json');
const closing: (() => Promise<void>)[] = [];
let log: KeptLog;
let ahead: number;
beforeEach(() => {
  log = keptLog();
  ahead = 0;
});
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
  rmSync(path, { force: true });
});

function putKeys(...keys: readonly JWK[]): void {
  writeFileSync(path, JSON.stringify({ keys }));
}

async function serverFor(algorithm: SigningAlgorithm, pair: KeyPair, lifeSeconds?: number): Promise<AuthorizationServer> {
  const server = await startAuthorizationServer(algorithm, pair.publicKey, lifeSeconds);
  closing.push(() => server.close());
  putKeys(pair.privateKey);
  return server;
}

/** A client whose clock is `ahead` milliseconds before that of the server. */
async function clientOf(server: AuthorizationServer, scope = SCOPE): Promise<TokenClient> {
  const client = new TokenClient({
    tokenUrl: server.tokenUrl,
    clientId: CLIENT_ID,
    scope,
    keys: await KeyFile.open(path, log),
    clock: { nowMs: () => Date.now() + ahead },
    log,
  });
  closing.push(() => client.close());
  return client;
}

const causeOf = (header: Promise<string>): Promise<string> =>
  header.then(
    () => 'a token was granted',
    (error: unknown) => (error instanceof NoAccessToken ? error.message : String(error)),
  );

describe.each(['RS384', 'ES384'] as const)('with a key for %s', (algorithm) => {
  it('a token is granted for an assertion as SMART Backend Services describes it', async () => {
    const server = await serverFor(algorithm, await keyPair(algorithm, 'first'));
    const client = await clientOf(server);
    const header = await client.header();
    expect(await server.knows(header)).toBe(true);

    const [form] = server.requests;
    expect(Object.fromEntries(form ?? [])).toEqual({
      grant_type: 'client_credentials',
      scope: SCOPE,
      client_assertion_type: 'urn:ietf:params:oauth:client-assertion-type:jwt-bearer',
      client_assertion: expect.any(String) as string,
    });
    const assertion = form?.get('client_assertion') ?? '';
    expect(decodeProtectedHeader(assertion)).toEqual({ alg: algorithm, kid: 'first', typ: 'JWT' });
    const { iss, sub, aud, exp = 0, jti, ...rest } = decodeJwt(assertion);
    expect([iss, sub, aud, rest]).toEqual([CLIENT_ID, CLIENT_ID, server.tokenUrl, {}]);
    expect(exp - Date.now() / 1000).toBeGreaterThan(60);
    expect(exp - Date.now() / 1000).toBeLessThanOrEqual(300);
    expect(jti).toMatch(/^[0-9a-f-]{36}$/);
  });

  it('a key of which the server knows another is refused, and the cause says so', async () => {
    const server = await serverFor(algorithm, await keyPair(algorithm, 'first'));
    const impostor = await keyPair(algorithm, 'first');
    putKeys(impostor.privateKey);
    const client = await clientOf(server);
    expect(await causeOf(client.header())).toBe(
      'the token endpoint refuses: it does not accept our client id or the signature of our key (invalid_client) (status 401)',
    );
    expect(log.lines('error')).toEqual([expect.stringMatching(/^no access token: .*invalid_client/)]);
  });

  it('the key changes without a restart: the last of the set signs while both are published, then alone', async () => {
    const [old, fresh] = [await keyPair(algorithm, 'old'), await keyPair(algorithm, 'fresh')];
    const server = await serverFor(algorithm, old);
    const client = await clientOf(server);
    await client.header();
    server.accept(old.publicKey, fresh.publicKey);
    client.refused(await client.header());
    putKeys(old.privateKey, fresh.privateKey);
    await client.header();
    expect(decodeProtectedHeader(server.requests.at(-1)?.get('client_assertion') ?? '').kid).toBe('fresh');
    server.accept(fresh.publicKey);
    putKeys(fresh.privateKey);
    client.refused(await client.header());
    await client.header();
    expect(server.refusals).toEqual([]);
    expect(log.lines('info')).toEqual(['the EHR is asked for tokens with another key from now on']);
  });
});

describe('an assertion', () => {
  it('is never used twice: the server would refuse it', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'));
    const client = await clientOf(server);
    client.refused(await client.header());
    await client.header();
    const [first, second] = server.requests.map((form) => decodeJwt(form.get('client_assertion') ?? '').jti);
    expect(first).not.toBe(second);
    const replay = await fetch(server.tokenUrl, { method: 'POST', body: server.requests[0] ?? '' });
    expect([replay.status, server.refusals]).toEqual([401, [expect.stringContaining('only be used once')]]);
  });
});

describe('a token', () => {
  it('is shared by all who ask at the same time, and by all who ask later', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'));
    const client = await clientOf(server);
    const headers = await Promise.all(Array.from({ length: 20 }, () => client.header()));
    headers.push(await client.header());
    expect([new Set(headers).size, server.requests.length]).toEqual([1, 1]);
  });

  it('is renewed half a minute before it expires', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'), 100);
    const client = await clientOf(server);
    const first = await client.header();
    ahead = 69_000;
    expect(await client.header()).toBe(first);
    ahead = 71_000;
    expect(await client.header()).not.toBe(first);
    expect(server.requests).toHaveLength(2);
  });

  it('that was refused is renewed at once, and once however many were refused', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'));
    const client = await clientOf(server);
    const first = await client.header();
    client.refused(first);
    const second = await client.header();
    client.refused(first);
    expect([await client.header(), second === first, server.requests.length]).toEqual([second, false, 2]);
  });

  it('is used to its end when the endpoint grants no other', async () => {
    const pair = await keyPair('ES384', 'first');
    const server = await serverFor('ES384', pair, 100);
    const client = await clientOf(server);
    const first = await client.header();
    server.accept((await keyPair('ES384', 'another')).publicKey);
    ahead = 80_000;
    expect(await client.header()).toBe(first);
    ahead = 101_000;
    expect(await causeOf(client.header())).toContain('invalid_client');
  });
});

describe('scopes', () => {
  it('that were not granted are warned of, once', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'));
    server.grant('system/Observation.crus');
    const client = await clientOf(server);
    client.refused(await client.header());
    await client.header();
    expect(log.lines('warn')).toEqual(['the EHR grants less than was asked: system/Provenance.crus is missing']);
  });
});

describe('a clock that is wrong', () => {
  it('is named when the endpoint refuses an assertion that is expired by its clock', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'));
    ahead = -600_000;
    const client = await clientOf(server);
    expect(await causeOf(client.header())).toMatch(
      /invalid_client\) \(status 401\); our clock is (599|600|601) s behind that of the token endpoint$/,
    );
    expect(server.refusals).toEqual([expect.stringContaining('expired')]);
    expect(Math.abs((client.clockAheadMs ?? 0) + 600_000)).toBeLessThan(5_000);
  });

  it('is warned of when a token is granted all the same', async () => {
    const server = await serverFor('ES384', await keyPair('ES384', 'first'));
    ahead = 90_000;
    const client = await clientOf(server);
    await client.header();
    expect(log.lines('warn')).toEqual([
      expect.stringMatching(/^a token was granted; our clock is \d+ s ahead of that of the token endpoint$/),
    ]);
  });
});

describe('the log', () => {
  it('holds no token, no assertion and no part of a key, whatever happens', async () => {
    const pair = await keyPair('ES384', 'first');
    const server = await serverFor('ES384', pair);
    const client = await clientOf(server);
    const token = (await client.header()).slice('Bearer '.length);
    client.refused(`Bearer ${token}`);
    writeFileSync(path, JSON.stringify(pair.privateKey).slice(0, 60));
    await client.header();
    server.accept();
    client.refused(await client.header());
    await causeOf(client.header());
    const assertions = server.requests.map((form) => form.get('client_assertion') ?? '');
    const secrets = [token, ...assertions.flatMap((assertion) => assertion.split('.').slice(1)), pair.privateKey.d ?? ''];
    expect(log.text()).toContain('the last good key for the EHR stays in use');
    expect(secrets.filter((secret) => secret === '' || log.text().includes(secret))).toEqual([]);
  });
});
