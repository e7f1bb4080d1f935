/** Forms of the pages, and the pages while nobody signs in: what other sites in the same browser can do to them. */
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { ANYBODY_MAY } from '../../../src/http/auth/auth.ts';
import { send } from '../edge.ts';
import { Browser } from './browser.ts';
import { shown, signInEvents, startPages, TOKENS_ASKED, type Pages } from './pages.ts';
import { startWardProvider, type WardProvider } from './ward-provider.ts';

const FORM = 'application/x-www-form-urlencoded';

interface Kind {
  pages: Pages;
  browser: Browser;
  cookie: string;
  formToken: string;
}

let provider: WardProvider;
const kinds: Record<string, Kind> = {};

beforeAll(async () => {
  const signed = await startPages({ auth: TOKENS_ASKED });
  provider = await startWardProvider([signed.origin], { claims: () => ({ roles: ['reviewer'] }) });
  provider.person = 'nurse-7';
  signed.signInAt(provider.issuer);
  const open = await startPages({ auth: ANYBODY_MAY });
  for (const [name, pages] of [['signed in', signed] as const, ['open', open] as const]) {
    const browser = new Browser();
    const { formToken } = shown(await browser.go(`${pages.origin}/review`));
    const cookie = browser
      .cookies(pages.origin)
      .map((one) => `${one.name}=${one.value}`)
      .join('; ');
    kinds[name] = { pages, browser, cookie, formToken };
  }
});
afterAll(async () => {
  await provider.close();
  for (const { pages } of Object.values(kinds)) await pages.close();
});

const kindOf = (name: string): Kind => {
  const kind = kinds[name];
  if (!kind) throw new Error(name);
  return kind;
};

describe.each(['signed in', 'open'])('a form, %s,', (name) => {
  const post = (headers: Record<string, string>, body?: string) => {
    const { pages, cookie, formToken } = kindOf(name);
    return send(pages.port, 'POST', '/review/decide', {
      headers: { 'Content-Type': FORM, Cookie: cookie, ...headers },
      body: body ?? `form-token=${formToken}&decision=keep`,
    });
  };

  test('of a page of ours is taken, with what browsers say of it and without', async () => {
    const { pages } = kindOf(name);
    for (const headers of [{}, { Origin: pages.origin }, { Origin: pages.origin, 'Sec-Fetch-Site': 'same-origin' }]) {
      const answer = await post(headers);
      expect([answer.status, answer.text], JSON.stringify(headers)).toEqual([200, 'done: keep']);
    }
  });

  test.each<[string, Record<string, string>]>([
    ['another site', { Origin: 'https://evil.example' }],
    ['a page without an origin', { Origin: 'null' }],
    ['another port of this machine', { Origin: 'http://127.0.0.1:9' }],
    ['ours by another scheme', { Origin: 'https://127.0.0.1' }],
    ['another site, by its kind', { 'Sec-Fetch-Site': 'cross-site' }],
    ['a neighbour of our site', { 'Sec-Fetch-Site': 'same-site' }],
    ['no site', { 'Sec-Fetch-Site': 'none' }],
  ])('is refused from %s, though cookie and token are right', async (_from, headers) => {
    const answer = await post(headers);
    expect([answer.status, answer.headers['content-type'], answer.text.includes('Nothing was done')]).toEqual([
      403,
      'text/html; charset=utf-8',
      true,
    ]);
    expect(await signInEvents(kindOf(name).pages.store)).toContainEqual(['access-refused', '4', 'other-site']);
  });

  test.each([
    ['without a token', 'decision=keep'],
    ['with an empty token', 'form-token=&decision=keep'],
    ['with a token of the right length', `form-token=${'A'.repeat(43)}&decision=keep`],
    ['with a token of another length', `form-token=${'é'.repeat(43)}&decision=keep`],
  ])('%s is refused', async (_what, body) => {
    expect((await post({}, body)).status).toBe(403);
  });

  test('with its token twice is refused', async () => {
    const { formToken } = kindOf(name);
    expect((await post({}, `form-token=${formToken}&form-token=${formToken}`)).status).toBe(403);
  });

  test('with the token of another browser, or without the cookie, is refused', async () => {
    const { pages, formToken } = kindOf(name);
    const another = new Browser();
    const other = shown(await another.go(`${pages.origin}/review`)).formToken;
    expect(other).not.toBe(formToken);
    expect((await post({}, `form-token=${other}&decision=keep`)).status).toBe(403);
    expect((await post({ Cookie: '' })).status).toBe(403);
  });

  test.each(['text/plain', 'multipart/form-data; boundary=x', 'application/json', ''])('as %j is not read', async (type) => {
    expect((await post({ 'Content-Type': type })).status).toBe(415);
  });

  test('of more than 64 kB is not read', async () => {
    expect((await post({}, `form-token=${kindOf(name).formToken}&decision=${'x'.repeat(65_536)}`)).status).toBe(413);
  });
});

describe('pages while nobody signs in', () => {
  test("say so, let everybody of this machine do everything, and keep the token's cookie from scripts and other sites", async () => {
    const { pages, browser } = kindOf('open');
    const page = await browser.go(`${pages.origin}/review/engineers`);
    expect(shown(page)).toMatchObject({ isOpen: true, roles: ['reviewer', 'engineer'], caller: {} });
    expect(page.headers).not.toHaveProperty('refresh');
    const [cookie] = browser.cookies(pages.origin);
    expect(Object.fromEntries(cookie?.attributes ?? [])).toEqual({ path: '/', httponly: '', samesite: 'Strict' });
    expect(cookie?.value).toMatch(/^[A-Za-z0-9_-]{43}$/);
  });

  test.each(['localhost', 'LOCALHOST', '127.0.0.1', '127.8.9.10', '[::1]'])('are shown under %s with our port', async (host) => {
    const { pages } = kindOf('open');
    expect((await send(pages.port, 'GET', '/review', { headers: { Host: `${host}:${pages.port}` } })).status).toBe(200);
  });

  test.each(['evil.example', 'localhost.evil.example', '127.0.0.1.evil.example', '10.0.0.1', '[::2]', '0.0.0.0', '[::ffff:127.0.0.1]'])(
    'are not shown under %s, which any site could have resolve to this machine',
    async (host) => {
      const { pages, cookie, formToken } = kindOf('open');
      const headers = { Host: `${host}:${pages.port}`, Cookie: cookie };
      const page = await send(pages.port, 'GET', '/review', { headers });
      expect([page.status, page.text.includes('form-token'), page.headers['set-cookie']]).toEqual([403, false, undefined]);
      const body = `form-token=${formToken}&decision=keep`;
      const sent = await send(pages.port, 'POST', '/review/decide', {
        headers: { ...headers, 'Content-Type': FORM, Origin: `http://${host}:${pages.port}` },
        body,
      });
      expect(sent.status).toBe(403);
    },
  );

  test.each(['localhost', 'localhost:9', '127.0.0.1:80'])('are not shown under %s, which is no port of ours', async (Host) => {
    expect((await send(kindOf('open').pages.port, 'GET', '/review', { headers: { Host } })).status).toBe(403);
  });

  test('have nothing to sign in to or out of', async () => {
    const { pages } = kindOf('open');
    expect((await send(pages.port, 'GET', '/review/signed-out')).text).toContain('"isOpen":true');
  });
});

describe('pages where tokens are asked for and nobody said where people sign in', () => {
  test('tell the operator what to set, and take no token for it', async () => {
    const pages = await startPages({ auth: TOKENS_ASKED });
    for (const headers of [{}, { Authorization: 'Bearer abc.def.ghi' }, { Cookie: `steelyard-session=${'a'.repeat(43)}` }] as Record<
      string,
      string
    >[]) {
      const page = await send(pages.port, 'GET', '/review', { headers });
      expect([page.status, page.text]).toEqual([403, expect.stringContaining('STEELYARD_SIGNIN_ISSUER')]);
    }
    await pages.close();
  });
});
