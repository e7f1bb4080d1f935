import { mkdtempSync, readFileSync, rmSync, statSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createLocalJWKSet, jwtVerify, type JSONWebKeySet } from 'jose';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { AUDIENCE, HOLDERS, ISSUER, TryOutIssuer } from '../../examples/tokens/issuer.ts';
import { callerOf, DEFAULT_PERSON_CLAIM } from '../../src/http/auth/claims.ts';

let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-tokens-'));
});
afterEach(() => rmSync(folder, { recursive: true, force: true }));

const read = (name: string): string => readFileSync(join(folder, name), 'utf8');
const keySet = (): JSONWebKeySet => JSON.parse(read('keys/jwks.json')) as JSONWebKeySet;
const NOON = Date.parse('2026-11-25T12:00:00Z');

async function open(nowMs = NOON): Promise<TryOutIssuer> {
  const issuer = await TryOutIssuer.open(folder, { nowMs: () => nowMs });
  await issuer.renew();
  return issuer;
}

function verified(token: string, nowMs = NOON) {
  return jwtVerify(token, createLocalJWKSet(keySet()), {
    issuer: ISSUER,
    audience: AUDIENCE,
    algorithms: ['ES384'],
    typ: 'at+jwt',
    currentDate: new Date(nowMs),
    requiredClaims: ['exp', 'sub', 'client_id', 'jti'],
  });
}

describe('the stand-in for an authorization server', () => {
  test.each(HOLDERS)('gives $client a token that its key set proves, for twelve hours', async ({ client, user, scope, file }) => {
    await open();
    const { payload } = await verified(read(file));
    expect(payload).toMatchObject({ client_id: client, sub: user ?? client, scope, exp: NOON / 1000 + 43_200 });
    expect(callerOf(payload, DEFAULT_PERSON_CLAIM).person !== undefined).toBe(user !== undefined);
    await expect(verified(read(file), NOON + 43_201_000)).rejects.toThrow('exp');
  });

  test('publishes no private half of a key', async () => {
    await open();
    expect(keySet().keys.map((key) => 'd' in key)).toEqual([false]);
  });

  test('after a restart has a new key, and its earlier tokens still count', async () => {
    await open();
    const before = read('tokens/gateway');
    await open();
    expect(read('tokens/gateway')).not.toBe(before);
    await verified(before);
    await verified(read('tokens/gateway'));
    await open();
    expect(keySet().keys).toHaveLength(2);
    await expect(verified(before)).rejects.toThrow();
  });

  test('invents passwords once, and keeps to them', async () => {
    const issuer = await open();
    await issuer.writeSecrets('postgres:5432');
    const url = read('database/url');
    expect(url).toMatch(/^postgres:\/\/steelyard:[\w-]{32}@postgres:5432\/steelyard$/);
    expect(url).toContain(read('database/password'));
    await (await open()).writeSecrets('postgres:5432');
    expect(read('database/url')).toBe(url);
  });

  test('can be read by containers whose users are others', async () => {
    await open();
    expect(statSync(join(folder, 'monitor/token')).mode & 0o777).toBe(0o644);
  });
});
