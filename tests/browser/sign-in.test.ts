/**
 * Signing in to the pages in a real browser, at the login page of a real OpenID provider: by keyboard, to a
 * decision and out again; what the browser keeps, and what its back button shows to whoever comes next.
 */
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { startWard, type Ward } from '../http/sign-in/ward.ts';
import { goTo, launch, whyNoBrowser } from './chromium.ts';

const missing = whyNoBrowser();
if (missing !== undefined && process.env['CI'] !== undefined) throw new Error(missing);

let ward: Ward;
let browser: Browser;
let context: BrowserContext;
let page: Page;

beforeAll(async () => {
  if (missing !== undefined) return;
  ward = await startWard({ roles: { 'nurse-7': ['reviewer'], 'nurse-8': ['reviewer'] }, showsLogin: true });
  // as browsers of people do
  browser = await launch({ keepsPagesForBack: true });
}, 300_000);
afterAll(async () => {
  if (missing !== undefined) return;
  await browser.close();
  await ward.close();
});
beforeEach(async () => {
  if (missing !== undefined) return;
  await context?.close();
  context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
  // the provider's page asks for a typeface from elsewhere
  await context.route(
    (url) => !['127.0.0.1', 'localhost'].includes(url.hostname),
    (route) => route.abort(),
  );
  page = await context.newPage();
});

/** Fills the login page of the provider by keyboard. */
async function logIn(on: Page, account: string): Promise<void> {
  await on.waitForURL(`${ward.provider.issuer}/interaction/**`);
  await on.locator('input[name="login"]').focus();
  await on.keyboard.type(account);
  await on.locator('input[name="password"]').focus();
  await on.keyboard.type('invented');
  await on.keyboard.press('Enter');
}

async function signOut(on: Page): Promise<void> {
  await on.getByRole('button', { name: 'Sign out' }).focus();
  await on.keyboard.press('Enter');
  await on.waitForURL(`${ward.provider.issuer}/session/end**`);
}

const readable = async (on: Page): Promise<string> => `${await on.title()} ${await on.locator('body').innerText()}`;

describe.skipIf(missing !== undefined)('signing in, in a browser', () => {
  test('leads from the page to the provider and back, to a decision by keyboard in the own name, and out', async () => {
    const id = await ward.held('Wanda Invented');
    await goTo(page, `${ward.url}/review`);
    await logIn(page, 'nurse-7');
    await page.waitForURL(`${ward.url}/review`);
    expect(await page.locator('form.sign-out').innerText()).toContain('nurse-7 Invented');
    await page.getByRole('link', { name: 'Wanda Invented' }).focus();
    await page.keyboard.press('Enter');
    const keep = page.locator('details', { has: page.locator('summary', { hasText: /^Keep/ }) });
    await keep.locator('summary').focus();
    await page.keyboard.press('Enter');
    expect(await page.getByLabel('Your name').count()).toBe(0);
    await keep.getByLabel(/^Reason/).focus();
    await page.keyboard.type('Known gain of fluid');
    await page.keyboard.press('Enter');
    await page.getByText('Kept. It goes into the chart.').waitFor();
    expect(await readable(page)).toContain('nurse-7 decided');
    const provenance = (await ward.fhir('GET', `Provenance?target=Observation/${id}`)).text;
    expect(provenance).toContain(`"value":"nurse-7"`);
    await signOut(page);
    expect(await context.cookies(ward.url)).not.toContainEqual(expect.objectContaining({ name: 'steelyard-session' }));
  });

  test('leaves one cookie that no script reads, and nothing of anybody in the browser’s stores, address or title', async () => {
    await ward.held('Private Invented');
    await goTo(page, `${ward.url}/review`);
    await logIn(page, 'nurse-7');
    await page.waitForURL(`${ward.url}/review`);
    expect((await context.cookies(ward.url)).filter(({ name }) => name.startsWith('steelyard'))).toEqual([
      expect.objectContaining({ name: 'steelyard-session', httpOnly: true, sameSite: 'Strict', path: '/', expires: -1 }),
    ]);
    await page.getByRole('link', { name: 'Private Invented' }).click();
    await page.getByRole('heading', { name: 'Decide' }).waitFor();
    const kept = await page.evaluate<{ stores: number[]; cookie: string }>(`(async () => ({
      stores: [localStorage.length, sessionStorage.length, (await indexedDB.databases()).length, (await caches.keys()).length],
      cookie: document.cookie,
    }))()`);
    expect(kept).toEqual({ stores: [0, 0, 0, 0], cookie: '' });
    expect(`${await page.title()} ${page.url()}`).not.toMatch(/Private|nurse|97\.8|p\d+$/);
  });

  test('and out leaves nothing of anybody behind the back button, nor lets whoever comes next in unasked', async () => {
    const id = await ward.held('Former Invented');
    await goTo(page, `${ward.url}/review`);
    await logIn(page, 'nurse-7');
    await page.waitForURL(`${ward.url}/review`);
    await goTo(page, `${ward.url}/review/readings/${id}`);
    expect(await readable(page)).toContain('Former Invented');
    await signOut(page);
    // nobody confirms it at the provider, and somebody else takes up the tablet
    const seen: string[] = [];
    for (let steps = 0; steps < 4; steps += 1) {
      await page.goBack({ waitUntil: 'load' }).catch(() => null);
      await page.waitForLoadState('load');
      seen.push(await readable(page));
    }
    expect(seen.join('\n')).not.toMatch(/Former|97\.8|nurse-7/);
    await goTo(page, `${ward.url}/review`);
    await logIn(page, 'nurse-8');
    await page.waitForURL(`${ward.url}/review`);
    expect(await page.locator('form.sign-out').innerText()).toContain('nurse-8 Invented');
  });

  test('is over once the page was locked, and the back button shows nothing of anybody', async () => {
    const id = await ward.held('Locked Invented');
    await goTo(page, `${ward.url}/review`);
    await logIn(page, 'nurse-7');
    await page.waitForURL(`${ward.url}/review`);
    await goTo(page, `${ward.url}/review/readings/${id}`);
    expect(await readable(page)).toContain('Locked Invented');
    ward.clock.offsetMs = 16 * 60_000;
    // the provider's clock cannot be put forward: by then it would ask again (`max_age`)
    await context.clearCookies({ domain: 'localhost' });
    // what the page does by itself after a quarter of an hour; no cookie changes, so the browser may keep what was left
    await page.evaluate(`location.assign('/review/locked')`);
    await page.getByRole('heading', { name: 'The page is locked' }).waitFor();
    await page.goBack({ waitUntil: 'commit' }).catch(() => null);
    await page.waitForURL(`${ward.provider.issuer}/**`);
    expect(await readable(page)).not.toContain('Locked Invented');
    ward.clock.offsetMs = 0;
  });

  test('is asked for anew by a page that is left open when somebody signs out beside it', async () => {
    await ward.held('Beside Invented');
    await goTo(page, `${ward.url}/review`);
    await logIn(page, 'nurse-7');
    await page.getByRole('link', { name: 'Beside Invented' }).waitFor();
    const other = await context.newPage();
    await goTo(other, `${ward.url}/review/shift`);
    await signOut(other);
    // its stream ends, and it leads to where one signs in
    await page.waitForURL(`${ward.provider.issuer}/**`, { timeout: 30_000 });
    expect(await readable(page)).not.toContain('Beside');
  });
});
