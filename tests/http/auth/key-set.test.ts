import { mkdtempSync, writeFileSync } from 'node:fs';
import type { ServerResponse } from 'node:http';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { beforeAll, describe, expect, test } from 'vitest';
import { KeySet, KeysUnavailable, LONGEST_WITHOUT_SOURCE_MS, type KeySetEvent } from '../../../src/http/auth/key-set.ts';
import { fileKeys, freshFor, urlKeys } from '../../../src/http/auth/key-sources.ts';
import { newKey, type SigningKey } from './issuer.ts';
import { DOWN, jwksOf, serving, startKeyServer } from './key-server.ts';

const MINUTE = 60_000;
let old: SigningKey;
let fresh: SigningKey;
beforeAll(async () => {
  [old, fresh] = [await newKey('old'), await newKey('new')];
});

/** A key set that asks a real server, with a clock that the test moves. */
async function ask(text = jwksOf([old])) {
  const server = await startKeyServer(serving(text));
  const clock = { ms: Date.parse('2026-03-02T10:00:00Z'), nowMs: () => clock.ms };
  const events: KeySetEvent[] = [];
  const keys = new KeySet(urlKeys(server.url), clock, (event) => events.push(event));
  const knows = (kid: string): Promise<boolean> =>
    keys.keyFor({ alg: 'ES384', kid }).then(
      () => true,
      (error: unknown) => {
        if (error instanceof KeysUnavailable) throw error;
        return false;
      },
    );
  return { server, clock, keys, knows, events };
}

describe('a key server', () => {
  test('is asked once, however many come at the same time, and not again while the keys are fresh', async () => {
    const { server, clock, knows } = await ask();
    expect(await Promise.all(Array.from({ length: 20 }, () => knows('old')))).toEqual(Array(20).fill(true));
    clock.ms += 9 * MINUTE;
    expect([await knows('old'), server.hits]).toEqual([true, 1]);
    clock.ms += 2 * MINUTE;
    expect([await knows('old'), server.hits]).toEqual([true, 2]);
  });

  test('is asked for an unknown key at most once a minute, also by a thousand forged ids', async () => {
    const { server, clock, knows } = await ask();
    await knows('old');
    clock.ms += MINUTE;
    for (let index = 0; index < 500; index++) expect(await knows(`forged-${index}`)).toBe(false);
    await Promise.all(Array.from({ length: 500 }, (_, index) => knows(`forged-${index}`)));
    expect(server.hits).toBe(2);
    clock.ms += MINUTE;
    await knows('forged');
    expect(server.hits).toBe(3);
  });

  test('that rotates its keys is followed at the first token of the new one, and the old one ends', async () => {
    const { server, clock, knows } = await ask();
    expect(await knows('old')).toBe(true);
    server.answer = serving(jwksOf([old, fresh]));
    clock.ms += MINUTE;
    expect([await knows('new'), await knows('old')]).toEqual([true, true]);
    server.answer = serving(jwksOf([fresh]));
    clock.ms += 11 * MINUTE;
    expect([await knows('old'), await knows('new')]).toEqual([false, true]);
  });

  test('that is down leaves the known keys in use for a day, and then nobody comes in', async () => {
    const { server, clock, knows, events } = await ask();
    await knows('old');
    server.answer = DOWN;
    for (let minutes = 0; minutes < 24 * 60; minutes += 30) {
      expect(await knows('old')).toBe(true);
      clock.ms += 30 * MINUTE;
    }
    clock.ms += 1;
    await expect(knows('old')).rejects.toThrow(KeysUnavailable);
    expect(LONGEST_WITHOUT_SOURCE_MS).toBe(24 * 60 * MINUTE);
    // said once when it went down, and once when it came back
    expect(events.map(({ kind }) => kind)).toEqual(['loaded', 'failed']);
    server.answer = serving(jwksOf([old]));
    clock.ms += 5_000;
    expect(await knows('old')).toBe(true);
    expect(events.map(({ kind }) => kind)).toEqual(['loaded', 'failed', 'loaded']);
  });

  test('that is down from the start lets nobody in, is asked every few seconds, and is taken once it is there', async () => {
    const { server, clock, knows } = await ask();
    server.answer = DOWN;
    for (let index = 0; index < 10; index++) await expect(knows('old')).rejects.toThrow(KeysUnavailable);
    expect(server.hits).toBe(1);
    server.answer = serving(jwksOf([old]));
    clock.ms += 5_000;
    expect([await knows('old'), server.hits]).toEqual([true, 2]);
  });

  test('is asked again when the clock is set back', async () => {
    const { server, clock, knows } = await ask();
    await knows('old');
    server.answer = serving(jwksOf([fresh]));
    clock.ms -= 60 * MINUTE;
    expect(await knows('new')).toBe(true);
  });

  test.each([
    [
      'redirects elsewhere',
      (elsewhere: string) => (_req: unknown, res: ServerResponse) => void res.writeHead(302, { Location: elsewhere }).end(),
    ],
    ['answers with an error', () => (_req: unknown, res: ServerResponse) => void res.writeHead(500).end('{"keys":[]}')],
    ['says no JSON', () => serving('<html>')],
    ['says no key set', () => serving('{"keys":"all"}')],
    ['says no keys', () => serving('{"keys":[]}')],
    ['says too many keys', () => serving(JSON.stringify({ keys: Array(101).fill(old.publicJwk) }))],
    ['says without end', () => serving(jwksOf([fresh]) + ' '.repeat(300 * 1024))],
  ])('that %s is not believed: the known keys stay', async (_what, answerOf) => {
    const elsewhere = await startKeyServer(serving(jwksOf([fresh])));
    const { server, clock, knows } = await ask();
    await knows('old');
    server.answer = answerOf(elsewhere.url);
    clock.ms += 11 * MINUTE;
    expect([await knows('new'), await knows('old')]).toEqual([false, true]);
    expect([server.hits, elsewhere.hits]).toEqual([2, 0]);
  });
});

test.each([
  ['', 10 * MINUTE],
  ['public, max-age=300', 5 * MINUTE],
  ['max-age=1', MINUTE],
  ['max-age=86400', 10 * MINUTE],
  ['no-store', MINUTE],
  ['no-cache, max-age=300', MINUTE],
  ['max-age=soon', 10 * MINUTE],
])('Cache-Control %j keeps keys fresh for %d ms', (header, ms) => {
  expect(freshFor(header)).toBe(ms);
});

describe('a key file', () => {
  const path = join(mkdtempSync(join(tmpdir(), 'steelyard-keys-')), 'keys.json');

  test('is read again when it has changed; a broken one, or none, leaves the known keys', async () => {
    const clock = { ms: 0, nowMs: () => clock.ms };
    const keys = new KeySet(fileKeys(path), clock);
    const knows = (kid: string): Promise<boolean> => keys.keyFor({ alg: 'ES384', kid }).then(Boolean, () => false);
    writeFileSync(path, jwksOf([old]));
    expect([await knows('old'), await knows('new')]).toEqual([true, false]);
    writeFileSync(path, jwksOf([fresh]));
    clock.ms += 1_000;
    expect([await knows('old'), await knows('new')]).toEqual([false, true]);
    for (const broken of ['{"keys":[', ' '.repeat(300 * 1024)]) {
      writeFileSync(path, broken);
      clock.ms += 1_000;
      expect(await knows('new')).toBe(true);
    }
  });

  test('that is not there is said so', async () => {
    await expect(new KeySet(fileKeys(`${path}.missing`), { nowMs: () => 0 }).load()).rejects.toMatchObject({ code: 'ENOENT' });
  });
});
