/** Signing in as the settings say it: a client with a secret, claims from userinfo, files that cannot be used, and limits of a visitor. */
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll, describe, expect, test } from 'vitest';
import { refuseUnusableSecret, startSigningIn } from '../../../src/composition/signing-in.ts';
import { ConfigError, loadConfig } from '../../../src/config.ts';
import { DEFAULT_LIMITS } from '../../../src/http/limits.ts';
import { Sessions } from '../../../src/http/sign-in/sessions.ts';
import { createLog } from '../../../src/log.ts';
import { openSqliteStore } from '../../../src/store/sqlite.ts';
import { startEdge } from '../edge.ts';
import { Browser } from './browser.ts';
import { DrillClock, shown, startPages, TOKENS_ASKED } from './pages.ts';
import { startWardProvider } from './ward-provider.ts';

const folder = mkdtempSync(join(tmpdir(), 'harbourlight-sign-in-'));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

const secretFile = join(folder, 'secret');
const SECRET = 'invented secret: of %+& characters that a form encodes';
const TOKENS = {
  STEELYARD_AUTH: 'jwt',
  STEELYARD_JWKS: '/run/keys.json',
  STEELYARD_ISSUER: 'https://id.example',
  STEELYARD_AUDIENCE: 'ward',
};
const provider = { ...TOKENS, STEELYARD_SIGNIN_ISSUER: 'https://id.example', STEELYARD_SIGNIN_CLIENT_ID: 'pages' };

describe('a client with a secret', () => {
  test('shows it, reads it again when it changed, and finds in userinfo what the identity token leaves out', async () => {
    const pages = await startPages({ auth: TOKENS_ASKED });
    const ward = await startWardProvider([pages.origin], {
      clientSecret: SECRET,
      claims: () => ({ name: 'Ödön Invented', roles: ['reviewer'] }),
      // as the standard has it (OpenID Connect Core 1.0 section 5.4): claims of scopes are in userinfo alone
      configuration: { conformIdTokenClaims: true },
    });
    ward.person = 'nurse-7';
    writeFileSync(secretFile, 'another one\n');
    pages.signInAt(ward.issuer, { clientSecretFile: secretFile });
    const wrong = await new Browser().go(`${pages.origin}/review`);
    expect([wrong.status, wrong.text]).toEqual([503, expect.stringContaining('Nobody can sign in just now')]);
    writeFileSync(secretFile, `${SECRET}\n`);
    expect(shown(await new Browser().go(`${pages.origin}/review`))).toMatchObject({ name: 'Ödön Invented', roles: ['reviewer'] });
    expect(pages.logLines.join('\n')).not.toContain(SECRET);
    await ward.close();
    await pages.close();
  });

  test('whose file is not there or empty ends the start with a sentence', () => {
    const config = (path: string) => loadConfig({ ...provider, STEELYARD_SIGNIN_CLIENT_SECRET_FILE: path });
    expect(() => refuseUnusableSecret(config('/nowhere/secret'))).toThrow(
      /^STEELYARD_SIGNIN_CLIENT_SECRET_FILE names a file that cannot be read/,
    );
    const empty = join(folder, 'empty');
    writeFileSync(empty, ' \n');
    expect(() => refuseUnusableSecret(config(empty))).toThrow(ConfigError);
    refuseUnusableSecret(loadConfig(provider));
  });
});

describe('the pages', () => {
  test.each([
    [{}, 'http://127.0.0.1:8080'],
    [{ STEELYARD_BASE_URL: 'https://scales.harbourlight.example/steelyard/fhir' }, 'https://scales.harbourlight.example'],
  ])('are where the settings say: %j', async (settings, origin) => {
    const clock = new DrillClock();
    const store = await openSqliteStore(':memory:', { clock });
    const parts = { config: loadConfig({ ...provider, ...settings }), clock, log: createLog('silent') };
    const signingIn = startSigningIn(store, 'http://127.0.0.1:8080', parts);
    expect(signingIn?.signIn.origin).toBe(origin);
    signingIn?.stop();
    expect(startSigningIn(store, 'http://127.0.0.1:8080', { ...parts, config: loadConfig(TOKENS) })).toBeUndefined();
    await store.close();
  });

  test('forget at the start, and each hour, who was signed in', async () => {
    const clock = new DrillClock();
    const store = await openSqliteStore(':memory:', { clock });
    const sessions = new Sessions(store, clock);
    const id = await sessions.open({ issuer: 'https://id.example', subject: 's', roles: ['reviewer'] }, 'request-1');
    clock.offsetMs = 16 * 60_000;
    await sessions.sweep();
    clock.offsetMs = 0;
    expect(await sessions.find(id, { isUse: true })).toBeUndefined();
    await store.close();
  });

  test('have limits for each visitor alone, though all come from one address', async () => {
    const clock = new DrillClock();
    const store = await openSqliteStore(':memory:', { clock });
    const sessions = new Sessions(store, clock);
    const ids = await Promise.all(
      ['a', 'b'].map((subject) => sessions.open({ issuer: 'https://id.example', subject, roles: ['reviewer'] }, 'r')),
    );
    const never = () => Promise.reject(new Error('nobody signs in here'));
    const signIn = {
      origin: 'http://127.0.0.1',
      rolesClaim: 'roles',
      sessions,
      provider: { begin: never, finish: never, signOutUrl: never },
    };
    const edge = await startEdge({ serving: { store, auth: TOKENS_ASKED, signIn, limits: { ...DEFAULT_LIMITS, requestsPerMinute: 3 } } });
    const ask = async (id: string) =>
      (await edge.call('GET', '/try/nothing-here', { headers: { Cookie: `steelyard-session=${id}` } })).status;
    const [first = '', second = ''] = ids;
    const statuses = [];
    for (let count = 0; count < 4; count += 1) statuses.push(await ask(first));
    expect(statuses.map((status) => status === 429)).toEqual([false, false, false, true]);
    expect(await ask(second)).not.toBe(429);
  });
});
