/** What nobody may come back with: answers and tokens of a provider that a real one never gives. */
import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { Browser, type Visit } from './browser.ts';
import { startLyingProvider, type Claims, type LyingProvider } from './lying-provider.ts';
import { shown, signInEvents, startPages, TOKENS_ASKED, type Pages } from './pages.ts';

let provider: LyingProvider;
let pages: Pages;
let browser: Browser;
let asked: URLSearchParams;
let form: URLSearchParams | undefined;

beforeAll(async () => {
  provider = await startLyingProvider();
});
afterAll(() => provider.close());
beforeEach(() => {
  browser = new Browser();
  form = undefined;
  provider.metadata = {};
  provider.userinfo = {};
});

const seconds = () => Math.floor(Date.now() / 1000);

async function begin(path = '/review'): Promise<void> {
  const away = await browser.go(`${pages.origin}${path}`, { follow: false });
  asked = new URL(away.headers.location ?? 'http://nowhere.invalid').searchParams;
}

const given = (idToken: string | undefined) => (sent: URLSearchParams) => {
  form = sent;
  return Promise.resolve({
    body: { access_token: 'invented', token_type: 'Bearer', expires_in: 60, ...(idToken !== undefined && { id_token: idToken }) },
  });
};

function comeBack(changes: Record<string, string | undefined> = {}): Promise<Visit> {
  const answer = { code: 'c0de', state: asked.get('state') ?? '', iss: provider.issuer, ...changes };
  const query = new URLSearchParams(
    Object.entries(answer).flatMap(([name, value]) => (value === undefined ? [] : [[name, value] as [string, string]])),
  );
  return browser.go(`${pages.origin}/review/signed-in?${query.toString()}`, { from: provider.issuer });
}

/** Back at the provider's hand with a token that it made. */
async function comeBackWith(changes: Claims, alg?: string): Promise<Visit> {
  provider.token = given(await provider.idToken(asked.get('nonce') ?? '', changes, alg));
  return comeBack();
}

const isIn = () => browser.cookie(pages.origin, 'steelyard-session') !== undefined;

describe('whoever comes back', () => {
  beforeAll(async () => {
    pages = await startPages({ auth: TOKENS_ASKED });
    pages.signInAt(provider.issuer);
  });
  afterAll(() => pages.close());

  test('with what the provider gave is let in: so the refusals below have no other cause', async () => {
    await begin();
    const visit = await comeBackWith({});
    expect([visit.status, isIn()]).toEqual([200, true]);
    // PKCE (RFC 7636): the code goes with what only this browser has
    expect(form?.get('code_verifier')?.length).toBeGreaterThan(40);
    expect(Object.fromEntries(form ?? [])).toMatchObject({
      grant_type: 'authorization_code',
      code: 'c0de',
      redirect_uri: `${pages.origin}/review/signed-in`,
      client_id: 'ward-pages',
    });
  });

  test.each<[string, () => Claims, string?]>([
    ['of another issuer', () => ({ iss: 'https://evil.example' })],
    ['made for another client', () => ({ aud: 'other-pages' })],
    ['made for several, and not authorized for us', () => ({ aud: ['ward-pages', 'other'], azp: 'other' })],
    ['that has expired', () => ({ exp: seconds() - 60 })],
    ['that is not valid yet', () => ({ nbf: seconds() + 600 })],
    ['without an end', () => ({ exp: undefined })],
    ['with the nonce of another sign-in', () => ({ nonce: 'another' })],
    ['without a nonce', () => ({ nonce: undefined })],
    ['of somebody who showed who they are too long ago', () => ({ auth_time: seconds() - 3600 })],
    ['that does not say when they showed who they are', () => ({ auth_time: undefined })],
    ['without a subject', () => ({ sub: undefined })],
    ['with a subject that cannot be kept', () => ({ sub: 'two\nlines' })],
    ['without a signature', () => ({}), 'none'],
    ['signed with the public key as a secret', () => ({}), 'HS256'],
    ['signed with another key', () => ({}), 'other key'],
  ])('with an identity token %s is not let in', async (_what, changes, alg) => {
    await begin();
    const visit = await comeBackWith(changes(), alg);
    expect([visit.status, isIn()]).toEqual([403, false]);
    expect((await signInEvents(pages.store)).map(([code]) => code)).toContain('sign-in-refused');
    expect(visit.text).not.toContain('nurse-7');
  });

  test.each<[string, Record<string, string | undefined>]>([
    ['the state of another sign-in', { state: 'another' }],
    ['no state', { state: undefined }],
    ['no word of who answers, where the provider says that it gives one', { iss: undefined }],
    ['the answer of another issuer (mix-up, RFC 9207)', { iss: 'https://evil.example' }],
    ['no code', { code: undefined }],
  ])('with %s is not let in, and the provider is asked for no token', async (_what, changes) => {
    await begin();
    provider.token = given(await provider.idToken(asked.get('nonce') ?? ''));
    const visit = await comeBack(changes);
    expect([visit.status, isIn(), form]).toEqual([403, false, undefined]);
  });

  test('a second time with the same address is not let in by it', async () => {
    await begin();
    expect((await comeBackWith({})).status).toBe(200);
    const replayed = new Browser();
    const again = await replayed.go(`${pages.origin}/review/signed-in?code=c0de&state=${asked.get('state') ?? ''}&iss=${provider.issuer}`, {
      from: 'https://evil.example',
    });
    expect([again.status, again.text]).toEqual([403, expect.stringContaining('without having begun')]);
    // and not where it began either
    expect((await comeBack()).status).toBe(403);
  });

  test('with a code that the provider knows no more, or without a token, is not let in', async () => {
    await begin();
    provider.token = () => Promise.resolve({ status: 400, body: { error: 'invalid_grant' } });
    expect((await comeBack()).status).toBe(403);
    await begin();
    provider.token = given(undefined);
    expect([(await comeBack()).status, isIn()]).toEqual([403, false]);
  });

  test.each([
    [500, { error: 'server_error' }],
    [401, { error: 'invalid_client' }],
    [502, 'a page of a proxy'],
    [200, { access_token: 'x'.repeat(300_000), token_type: 'Bearer' }],
  ])("while the provider answers %i is told that it is nobody's fault here", async (status, body) => {
    await begin();
    provider.token = () => Promise.resolve({ status, body });
    const visit = await comeBack();
    expect([visit.status, visit.headers['retry-after'], isIn()]).toEqual([503, '30', false]);
  });

  test.each([
    ['https://evil.example/review', '/review'],
    ['//evil.example/review', '/review'],
    ['/\\evil.example', '/review'],
    ['/review/../fhir/Observation', '/review'],
    ['/review/signed-in?code=x', '/review'],
    ['/review/sign-out', '/review'],
    ['javascript:alert(1)', '/review'],
    ['/reviewer', '/review'],
    ['/try/rules?x=1', '/try/rules?x=1'],
    ['/review/readings/w1', '/review/readings/w1'],
  ])('is led to no other place than a page: %s', async (to, led) => {
    await begin();
    const kept = browser.cookie(pages.origin, 'steelyard-sign-in')?.value ?? '';
    const changed = new URLSearchParams(decodeURIComponent(kept));
    changed.set('to', to);
    browser.put(pages.origin, 'steelyard-sign-in', encodeURIComponent(changed.toString()), '/review/signed-in');
    const visit = await comeBackWith({});
    expect(visit.trail.at(-1)).toBe(`${pages.origin}${led}`);
    expect(visit.trail.filter((url) => !url.startsWith(`${pages.origin}/`))).toEqual([]);
  });
});

describe('claims', () => {
  beforeAll(async () => {
    pages = await startPages({ auth: TOKENS_ASKED });
    pages.signInAt(provider.issuer, { rolesClaim: 'realm_access.roles', reviewer: 'ward-review', engineer: 'medical-physics' });
  });
  afterAll(() => pages.close());

  test("within others give roles, and SMART's fhirUser names the person as a token does", async () => {
    await begin();
    const visit = await comeBackWith({
      realm_access: { roles: ['ward-review', 'x'] },
      roles: ['engineer'],
      fhirUser: 'Practitioner/nurse-7',
    });
    expect(shown(visit).roles).toEqual(['reviewer']);
    expect(shown(visit).caller['person']).toEqual({
      reference: 'Practitioner/nurse-7',
      identifier: { system: provider.issuer, value: 'nurse-7' },
    });
  });

  test('that the identity token does not have are looked for in userinfo, of the same subject only', async () => {
    provider.userinfo = { realm_access: { roles: ['medical-physics'] }, name: 'Ödön Invented' };
    await begin();
    const visit = shown(await comeBackWith({ name: undefined }));
    expect([visit.roles, visit.name]).toEqual([['engineer'], 'Ödön Invented']);
    browser = new Browser();
    provider.userinfo = { sub: 'somebody-else', realm_access: { roles: ['medical-physics'] } };
    await begin();
    expect([(await comeBackWith({})).status, isIn()]).toEqual([403, false]);
  });

  test.each([[{ roles: 'x'.repeat(10) }], [{ roles: { 'ward-review': true } }], [{ roles: [['ward-review']] }], ['ward-review'], [null]])(
    'of another form give no role: %j',
    async (realm_access) => {
      await begin();
      expect((await comeBackWith({ realm_access })).status).toBe(403);
    },
  );
});

describe('a provider', () => {
  const answerWith = async (metadata: Record<string, unknown>) => {
    pages = await startPages({ auth: TOKENS_ASKED });
    pages.signInAt(provider.issuer);
    provider.metadata = metadata;
    const visit = await browser.go(`${pages.origin}/review`, { follow: false });
    await pages.close();
    return visit;
  };

  test.each([
    [{ issuer: 'https://evil.example' }],
    [{ token_endpoint: 'http://id.example/token' }],
    [{ jwks_uri: 'http://id.example/jwks' }],
    [{ authorization_endpoint: 'http://id.example/auth' }],
    [{ authorization_endpoint: undefined }],
  ])('that says %j of itself is not used', async (metadata) => {
    expect((await answerWith(metadata)).status).toBe(503);
  });

  test('that cannot sign anybody out has everybody log in anew, so that nobody is taken for the one before', async () => {
    const begun = new URL((await answerWith({})).headers.location ?? '');
    expect(begun.searchParams.get('prompt')).toBe('login');
  });
});
