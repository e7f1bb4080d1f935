/** Signing in to the pages at a real OpenID provider, as a browser goes through it. */
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { send } from '../edge.ts';
import { Browser } from './browser.ts';
import { shown, signInEvents, startPages, TOKENS_ASKED, type Pages } from './pages.ts';
import { startWardProvider, type WardProvider } from './ward-provider.ts';

const ROLES: Readonly<Record<string, unknown>> = {
  'nurse-7': ['reviewer'],
  'engineer-3': 'engineer something-else',
  'both-1': ['engineer', 'reviewer'],
  'visitor-9': ['porter'],
};
const MINUTE = 60_000;

let provider: WardProvider;
let pages: Pages;
let other: Pages;
let browser: Browser;

beforeAll(async () => {
  pages = await startPages({ auth: TOKENS_ASKED });
  other = await startPages({ auth: TOKENS_ASKED, store: pages.store, clock: pages.clock });
  provider = await startWardProvider([pages.origin, other.origin], {
    claims: (person) => ({ name: `${person} Invented`, roles: ROLES[person] }),
  });
  pages.signInAt(provider.issuer);
  other.signInAt(provider.issuer);
});
afterAll(async () => {
  await provider.close();
  await other.close();
  await pages.close();
});
beforeEach(() => {
  browser = new Browser();
  provider.person = 'nurse-7';
});
afterEach(() => {
  provider.isDown = false;
  pages.clock.offsetMs = 0;
});

const open = (path: string, from?: string) => browser.go(`${pages.origin}${path}`, from === undefined ? {} : { from });
const session = () => browser.cookie(pages.origin, 'steelyard-session');

describe('whoever opens a page', () => {
  test('is sent to the provider, comes back signed in, and is where they wanted to go', async () => {
    const visit = await open('/review/readings/w1?tab=history');
    expect(visit.status).toBe(200);
    expect(shown(visit)).toMatchObject({
      at: '/review/readings/w1?tab=history',
      name: 'nurse-7 Invented',
      roles: ['reviewer'],
      isOpen: false,
      caller: {
        client: 'review-page',
        user: 'nurse-7',
        person: { identifier: { system: provider.issuer, value: 'nurse-7' } },
        grants: { interactions: ['*.r', '*.s'], roles: ['review'] },
      },
    });
    expect(visit.headers).toMatchObject({
      'cache-control': 'no-store',
      'referrer-policy': 'same-origin',
    });
    const asked = new URL(visit.trail.find((url) => url.startsWith(`${provider.issuer}/auth?`)) ?? '').searchParams;
    expect(Object.fromEntries(asked)).toMatchObject({
      response_type: 'code',
      code_challenge_method: 'S256',
      scope: 'openid profile',
      max_age: '900',
      redirect_uri: `${pages.origin}/review/signed-in`,
    });
    for (const name of ['state', 'nonce', 'code_challenge']) expect(asked.get(name)?.length, name).toBeGreaterThan(20);
  });

  test('has a cookie that no script reads and no other site can have sent, and no other one left', async () => {
    const first = await browser.go(`${pages.origin}/review`, { follow: false });
    expect(first.status).toBe(303);
    const away = browser.cookie(pages.origin, 'steelyard-sign-in');
    expect(Object.fromEntries(away?.attributes ?? [])).toMatchObject({
      path: '/',
      httponly: '',
      samesite: 'Lax',
      'max-age': '600',
    });
    await open('/review');
    expect(browser.cookies(pages.origin).map(({ name }) => name)).toEqual(['steelyard-session']);
    expect(Object.fromEntries(session()?.attributes ?? [])).toEqual({ path: '/', httponly: '', samesite: 'Strict' });
    expect(session()?.value).toMatch(/^[A-Za-z0-9_-]{43}$/);
  });

  test('has a Secure cookie with the __Host- prefix where the pages are seen by https', async () => {
    const secure = await startPages({ auth: TOKENS_ASKED, origin: 'https://scales.harbourlight.example' });
    secure.signInAt(provider.issuer);
    const sent = await send(secure.port, 'GET', '/review', { headers: { Host: 'scales.harbourlight.example' } });
    expect(sent.headers['set-cookie']).toEqual([
      expect.stringMatching(/^__Host-steelyard-sign-in=.*; Path=\/; .*HttpOnly; Secure; SameSite=Lax$/),
    ]);
    const stale = await send(secure.port, 'GET', '/review', { headers: { Cookie: `__Host-steelyard-session=${'a'.repeat(43)}` } });
    expect(stale.headers['set-cookie']?.[0]).toMatch(
      /^__Host-steelyard-session=; Path=\/; Expires=[^;]+; HttpOnly; Secure; SameSite=Strict$/,
    );
    await secure.close();
  });

  test('and is signed in follows a link from another site without being sent to the provider again', async () => {
    await open('/review');
    const asked = provider.asked.length;
    const visit = await open('/review/readings/w2', 'https://mail.example');
    expect(shown(visit)).toMatchObject({ at: '/review/readings/w2', name: 'nurse-7 Invented' });
    expect(provider.asked.length).toBe(asked);
  });

  test.each([
    ['nurse-7', ['reviewer'], ['review'], 403],
    ['engineer-3', ['engineer'], ['operate'], 200],
    ['both-1', ['reviewer', 'engineer'], ['review', 'operate'], 200],
  ])('as %s has the roles of their claim, and no more', async (person, roles, granted, status) => {
    provider.person = person;
    const visit = shown(await open('/try'));
    expect(visit.roles).toEqual(roles);
    expect(visit.caller).toMatchObject({ user: person, grants: { roles: granted } });
    expect((await open('/review/engineers')).status).toBe(status);
  });

  test('without a role is told which claim names none, without what it says, and is not signed in', async () => {
    provider.person = 'visitor-9';
    const visit = await open('/review');
    expect([visit.status, visit.text.includes('claim roles'), visit.text.includes('porter')]).toEqual([403, true, false]);
    expect(browser.cookies(pages.origin)).toEqual([]);
    expect((await signInEvents(pages.store)).at(-1)).toEqual(['sign-in-refused', '4', 'no-role']);
  });

  test('and turns back at the provider is told so, and can begin anew', async () => {
    provider.person = undefined;
    const visit = await open('/review');
    expect([visit.status, visit.text]).toEqual([403, expect.stringContaining('said no, or you turned back')]);
    provider.person = 'nurse-7';
    expect((await open('/review')).status).toBe(200);
  });

  test('leaves in the audit that they signed in and out, and in the log neither name nor subject nor secret', async () => {
    await open('/review');
    const id = session()?.value ?? '';
    const events = await signInEvents(pages.store);
    expect(events.at(-1)).toEqual(['sign-in', '0', undefined]);
    const { events: stored } = await pages.store.audit.search({ count: 1 });
    // published: HL7 FHIR R4, AuditEvent, Example 1 (a login): type 110114, subtype 110122
    expect(JSON.parse(stored[0]?.text ?? '')).toMatchObject({
      type: { system: 'http://dicom.nema.org/resources/ontology/DCM', code: '110114', display: 'User Authentication' },
      subtype: [{ system: 'http://dicom.nema.org/resources/ontology/DCM', code: '110122', display: 'Login' }, { code: 'sign-in' }],
      action: 'E',
      agent: [{ who: { identifier: { value: 'review-page' } } }, {}, { who: { identifier: { value: 'nurse-7' } }, requestor: true }],
    });
    const written = pages.logLines.join('\n');
    for (const secret of ['nurse-7', 'Invented', id, 'code=', 'state=']) expect(written.includes(secret), secret).toBe(false);
    expect(written).toContain('"route":"/review/signed-in"');
  });
});

describe('a session', () => {
  test('is another one each time, whatever id the browser brings along', async () => {
    const planted = 'p'.repeat(43);
    browser.put(pages.origin, 'steelyard-session', planted);
    await open('/review');
    const first = session()?.value;
    expect(first).not.toBe(planted);
    // signing in again ends the one before
    const thief = new Browser();
    thief.put(pages.origin, 'steelyard-session', first ?? '');
    expect((await thief.go(`${pages.origin}/review`)).status).toBe(200);
    const begun = new URL((await new Browser().go(`${pages.origin}/review`, { follow: false })).headers.location ?? '');
    expect(begun.origin).toBe(provider.issuer);
    expect(JSON.stringify(await pages.store.sessions.find(first ?? ''))).toBeUndefined();
  });

  test('is known to every replica, and signing out counts at all of them at once', async () => {
    await open('/review');
    const elsewhere = new Browser();
    elsewhere.put(other.origin, 'steelyard-session', session()?.value ?? '');
    const there = shown(await elsewhere.go(`${other.origin}/review`, { follow: false }));
    expect(there.name).toBe('nurse-7 Invented');
    // the form's token is that of the session, wherever the page came from
    const out = await elsewhere.go(`${other.origin}/review/sign-out`, {
      method: 'POST',
      form: { 'form-token': there.formToken },
      from: other.origin,
      follow: false,
    });
    expect(out.status).toBe(200);
    expect((await browser.go(`${pages.origin}/review`, { follow: false })).status).toBe(303);
    expect(session()).toBeUndefined();
  });

  test('ends when it is not used for a quarter of an hour, and not before', async () => {
    await open('/review');
    for (const minutes of [14, 28, 42]) {
      pages.clock.offsetMs = minutes * MINUTE;
      expect((await browser.go(`${pages.origin}/review`, { follow: false })).status, `${minutes}`).toBe(200);
    }
    pages.clock.offsetMs = 57 * MINUTE;
    const late = await browser.go(`${pages.origin}/review`, { follow: false });
    expect([late.status, session()]).toEqual([303, undefined]);
  });

  test('ends after ten hours however it is used, and is not in the store for long', async () => {
    await open('/review');
    for (let minutes = 10; minutes < 600; minutes += 10) {
      pages.clock.offsetMs = minutes * MINUTE;
      expect((await browser.go(`${pages.origin}/review`, { follow: false })).status, `${minutes}`).toBe(200);
    }
    pages.clock.offsetMs = 600 * MINUTE;
    expect((await browser.go(`${pages.origin}/review`, { follow: false })).status).toBe(303);
    expect(await pages.store.sessions.removeEnded({ nowMs: pages.clock.nowMs(), idleMs: 15 * MINUTE })).toBeGreaterThan(0);
  });

  test('is written down as used once a minute at most', async () => {
    await open('/review');
    let writes = 0;
    const use = pages.store.sessions.use.bind(pages.store.sessions);
    pages.store.sessions.use = async (...given) => {
      writes += 1;
      await use(...given);
    };
    for (let clicks = 0; clicks < 5; clicks += 1) await open('/review');
    pages.clock.offsetMs = 2 * MINUTE;
    for (let clicks = 0; clicks < 5; clicks += 1) await open('/review');
    pages.store.sessions.use = use;
    expect(writes).toBe(1);
  });

  test('opens nothing under /fhir, and a bearer token opens no page', async () => {
    await open('/review');
    const cookie = `steelyard-session=${session()?.value ?? ''}`;
    expect((await send(pages.port, 'GET', '/fhir/Observation', { headers: { Cookie: cookie } })).status).toBe(401);
    expect((await send(pages.port, 'GET', '/review', { headers: { Authorization: 'Bearer abc.def.ghi' } })).status).toBe(303);
  });

  test("that stands twice among the cookies is nobody's", async () => {
    await open('/review');
    const cookie = `steelyard-session=${session()?.value ?? ''}`;
    expect((await send(pages.port, 'GET', '/review', { headers: { Cookie: `${cookie}; steelyard-session=other` } })).status).toBe(303);
  });
});

describe('whoever comes back without having begun', () => {
  test('keeps nobody else out, however often another site has a browser send that', async () => {
    const few = await startPages({ auth: TOKENS_ASKED, failedLoginsPerAddress: 3 });
    const itsProvider = await startWardProvider([few.origin], { claims: () => ({ roles: ['reviewer'] }) });
    itsProvider.person = 'nurse-7';
    few.signInAt(itsProvider.issuer);
    for (let count = 0; count < 5; count += 1) expect((await send(few.port, 'GET', '/review/signed-in?code=c&state=s')).status).toBe(403);
    expect((await browser.go(`${few.origin}/review`)).status).toBe(200);
    // what the provider is asked for is counted
    const statuses: number[] = [];
    for (let count = 0; count < 4; count += 1) {
      const one = new Browser();
      await one.go(`${few.origin}/review`, { follow: false });
      statuses.push((await one.go(`${few.origin}/review/signed-in?code=c&state=another`, { from: itsProvider.issuer })).status);
    }
    expect(statuses).toEqual([403, 403, 403, 429]);
    await itsProvider.close();
    await few.close();
  });
});

describe('signing out', () => {
  test('ends the session here and the one at the provider, which asks anew for whoever comes next', async () => {
    const { formToken } = shown(await open('/review'));
    const logins = provider.logins;
    const out = await browser.go(`${pages.origin}/review/sign-out`, {
      method: 'POST',
      form: { 'form-token': formToken },
      from: pages.origin,
      follow: false,
    });
    expect([out.status, session()]).toEqual([200, undefined]);
    const elsewhere = new URL(/url=([^"]+)"/.exec(out.text)?.[1]?.replaceAll('&amp;', '&') ?? '');
    expect(`${elsewhere.origin}${elsewhere.pathname}`).toBe(`${provider.issuer}/session/end`);
    expect(elsewhere.searchParams.get('post_logout_redirect_uri')).toBe(`${pages.origin}/review/signed-out`);
    expect(await signInEvents(pages.store)).toContainEqual(['sign-out', '0', undefined]);
    // the provider asks whether it is meant, as its users know it
    const asked = await browser.go(elsewhere.href, { from: pages.origin });
    const [, action = '', xsrf = ''] = /action="([^"]+)".*?name="xsrf" value="([^"]+)"/s.exec(asked.text) ?? [];
    const end = await browser.go(action, { method: 'POST', form: { xsrf, logout: 'yes' }, from: provider.issuer });
    expect([end.url, end.status]).toEqual([`${pages.origin}/review/signed-out`, 200]);
    provider.person = 'engineer-3';
    expect(shown(await open('/review')).roles).toEqual(['engineer']);
    expect(provider.logins).toBe(logins + 1);
  });

  test('counts for whoever comes next, though nobody confirmed it at the provider', async () => {
    const { formToken } = shown(await open('/review'));
    const logins = provider.logins;
    const out = await browser.go(`${pages.origin}/review/sign-out`, {
      method: 'POST',
      form: { 'form-token': formToken },
      from: pages.origin,
      follow: false,
    });
    // W3C Clear Site Data: what the browser keeps for its back button
    expect(out.headers['clear-site-data']).toBe('"cache", "storage"');
    // the tablet is put down here, and somebody takes it up who has to show who they are
    const next = await open('/review');
    expect(new URL(next.trail.find((url) => url.startsWith(`${provider.issuer}/auth?`)) ?? '').searchParams.get('prompt')).toBe('login');
    expect([next.status, provider.logins]).toEqual([200, logins + 1]);
    expect(browser.cookies(pages.origin).map(({ name }) => name)).toEqual(['steelyard-session']);
  });

  test('needs the token of the form, and is no address to be led to', async () => {
    await open('/review');
    const led = await browser.go(`${pages.origin}/review/sign-out`, { from: 'https://evil.example' });
    expect(led.status).toBe(405);
    const forged = await browser.go(`${pages.origin}/review/sign-out`, { method: 'POST', form: {}, from: pages.origin });
    expect(forged.status).toBe(403);
    expect(shown(await open('/review')).name).toBe('nurse-7 Invented');
  });
});

describe('a provider that is down', () => {
  test('keeps nobody out who is signed in, says so to the others, and is used again once it is back', async () => {
    await open('/review');
    const late = await startPages({ auth: TOKENS_ASKED, store: pages.store, clock: pages.clock });
    late.signInAt(provider.issuer);
    provider.isDown = true;
    expect((await open('/review')).status).toBe(200);
    const first = await send(late.port, 'GET', '/review');
    expect([first.status, first.headers['retry-after'], first.text]).toEqual([
      503,
      '30',
      expect.stringContaining('Nobody can sign in just now'),
    ]);
    // not asked again for each who tries
    const asked = provider.asked.length;
    await send(late.port, 'GET', '/review');
    expect(provider.asked.length).toBe(asked);
    provider.isDown = false;
    late.clock.offsetMs = 6_000;
    expect((await send(late.port, 'GET', '/review')).status).toBe(303);
    expect(late.logLines.map((line) => JSON.parse(line).msg as string).filter((message) => message.includes('identity'))).toEqual([
      'identity provider cannot be read: nobody can sign in',
      'identity provider read',
    ]);
    await late.close();
  });

  test('once it has been read is used on, and says no to nobody who comes back while it is away', async () => {
    const away = await browser.go(`${pages.origin}/review`, { follow: false });
    const back = await browser.go(away.headers.location ?? '', { from: pages.origin, follow: false });
    const interaction = await browser.go(new URL(back.headers.location ?? '', provider.issuer).href, {
      from: provider.issuer,
      follow: false,
    });
    const resumed = await browser.go(interaction.headers.location ?? '', { from: provider.issuer, follow: false });
    provider.isDown = true;
    const visit = await browser.go(resumed.headers.location ?? '', { from: provider.issuer });
    expect([visit.status, visit.text]).toEqual([503, expect.stringContaining('Nobody can sign in just now')]);
  });
});
