/** Calls to an EHR that lets in only who bears a token of a real OAuth server. */
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, it } from 'vitest';
import { startReceiver } from '../../examples/receiver/receiver.ts';
import { setbackOf } from '../../src/forward/classify.ts';
import { EhrClient } from '../../src/forward/ehr-client.ts';
import { KeyFile } from '../../src/forward/key-file.ts';
import { TokenClient } from '../../src/forward/token-client.ts';
import { CLIENT_ID, SCOPE, keyPair, startAuthorizationServer, type AuthorizationServer } from './authorization-server.ts';
import { startGuardedEhr, type GuardedEhr } from './guarded-ehr.ts';
import { keptLog } from './kept-log.ts';

const path = join(mkdtempSync(join(tmpdir(), 'steelyard-ehr-')), 'key.json');
const closing: (() => Promise<void>)[] = [];
let server: AuthorizationServer;
let guarded: GuardedEhr;
let ehr: EhrClient;

beforeEach(async () => {
  const pair = await keyPair('ES384', 'first');
  writeFileSync(path, JSON.stringify(pair.privateKey));
  server = await startAuthorizationServer('ES384', pair.publicKey);
  const receiver = await startReceiver({ port: 0 });
  guarded = await startGuardedEhr(server, receiver.url);
  const log = keptLog();
  const clock = { nowMs: () => Date.now() };
  const tokens = new TokenClient({
    tokenUrl: server.tokenUrl,
    clientId: CLIENT_ID,
    scope: SCOPE,
    keys: await KeyFile.open(path, log),
    clock,
    log,
  });
  ehr = new EhrClient({ baseUrl: guarded.url, authorization: tokens });
  for (const one of [server, receiver, guarded, tokens, ehr]) closing.push(() => one.close());
});
afterEach(async () => {
  for (const close of closing.splice(0).reverse()) await close();
});

const search = () => ehr.search('Observation', 'identifier=urn%3Aexample%7Cnone', 'r');

describe('a call', () => {
  it('bears a token, and twenty at the same time bear one and the same', async () => {
    const replies = await Promise.all(Array.from({ length: 20 }, search));
    expect(replies.map((reply) => reply.kind === 'answer' && reply.status)).toEqual(Array.from({ length: 20 }, () => 200));
    expect([server.requests.length, new Set(guarded.statuses)]).toEqual([1, new Set([200])]);
  });

  it('that is answered 401 is made once more with a fresh token', async () => {
    await search();
    server.withdraw();
    expect(await search()).toMatchObject({ kind: 'answer', status: 200 });
    expect([guarded.statuses, server.requests.length]).toEqual([[200, 401, 200], 2]);
  });

  it('that posts is repeated whole after a 401, and arrives once', async () => {
    guarded.refuseNext(1);
    const bundle = '{"resourceType":"Bundle","type":"batch","entry":[]}';
    expect(await ehr.postBundle(bundle, 'r')).toMatchObject({ kind: 'answer', status: 200 });
    expect(guarded.statuses).toEqual([401, 200]);
  });

  it('that is answered 401 twice comes back as it is, which is a fault of the destination and parks nothing', async () => {
    guarded.refuseNext(2);
    const reply = await search();
    expect([reply, setbackOf(reply).kind]).toEqual([{ kind: 'answer', status: 401, text: '' }, 'destination']);
    expect([guarded.statuses, server.requests.length]).toEqual([[401, 401], 2]);
    expect(await search()).toMatchObject({ kind: 'answer', status: 200 });
  });

  it('that is answered 401 waits when there is no fresh token', async () => {
    await search();
    server.withdraw();
    server.accept((await keyPair('ES384', 'another')).publicKey);
    expect(await search()).toMatchObject({ kind: 'unsent', cause: expect.stringContaining('invalid_client') as string });
    expect(guarded.statuses).toEqual([200, 401]);
  });

  it('does not leave, and nothing is parked, while the server does not know our key', async () => {
    server.accept((await keyPair('ES384', 'another')).publicKey);
    const reply = await search();
    expect(setbackOf(reply)).toEqual({
      kind: 'unsent',
      reason: expect.stringMatching(/^the EHR was not reached \(no access token: the token endpoint refuses: .*invalid_client/) as string,
    });
    expect(guarded.statuses).toEqual([]);
  });

  it('ends within its time when the token does not come', async () => {
    const slow = new EhrClient({
      baseUrl: guarded.url,
      timeoutMs: 50,
      authorization: { header: () => new Promise(() => undefined), refused: () => undefined },
    });
    closing.push(() => slow.close());
    expect(await slow.search('Observation', 'a=b', 'r')).toEqual({ kind: 'unsent', cause: 'no access token' });
  });
});
