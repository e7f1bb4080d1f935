/**
 * The review page in a real browser: what is held appears by itself, is opened, decided and forwarded;
 * two people decide at once; markup stays text; every page is legible to everybody, by axe-core's rules
 * for WCAG 2.2 AA (W3C), in each theme and on a narrow screen.
 */
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, beforeAll, beforeEach, describe, expect, test, vi } from 'vitest';
import { startReceiver, type Receiver } from '../../examples/receiver/receiver.ts';
import { loadConfig } from '../../src/config.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { start, type Running } from '../../src/main.ts';
import { weight } from '../measurements.ts';
import { goTo, launch, whyNoBrowser } from './chromium.ts';

const missing = whyNoBrowser();
if (missing !== undefined && process.env['CI'] !== undefined) throw new Error(missing);

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const WCAG_AA = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'];

let folder: string;
let receiver: Receiver;
let service: Running;
let browser: Browser;
let context: BrowserContext;
let page: Page;
let people = 0;

beforeAll(async () => {
  if (missing !== undefined) return;
  folder = mkdtempSync(join(tmpdir(), 'steelyard-browser-'));
  const policy = join(folder, 'policy.json');
  // what is decided leaves at once, so that a test need not wait for the time to take it back
  writeFileSync(policy, '{"decision.sendAfterSeconds": 0}');
  receiver = await startReceiver({ port: 0 });
  service = await start(
    loadConfig({
      STEELYARD_PORT: '0',
      STEELYARD_DATABASE: join(folder, 'ward.db'),
      STEELYARD_EHR_URL: receiver.url,
      STEELYARD_POLICY: policy,
      STEELYARD_LOG_LEVEL: 'silent',
    }),
  );
  browser = await launch();
}, 300_000);

afterAll(async () => {
  if (missing !== undefined) return;
  await browser.close();
  await service.stop();
  await receiver.close();
  rmSync(folder, { recursive: true });
});

beforeEach(async () => {
  if (missing !== undefined) return;
  await context?.close();
  context = await browser.newContext({ viewport: { width: 1280, height: 900 } });
  page = await context.newPage();
});

async function fhir(method: string, path: string, resource?: object): Promise<string> {
  const answer = await fetch(`${service.url}/fhir/${path}`, {
    method,
    ...(resource && { headers: { 'Content-Type': 'application/fhir+json' }, body: stringifyExact(resource) }),
  });
  expect(answer.status, `${method} ${path}`).toBeLessThan(300);
  return answer.text();
}

/** Somebody of 80.0 kg; their id. */
async function known(name: string): Promise<string> {
  people += 1;
  const id = `p${people}`;
  await fhir('PUT', `Patient/${id}`, {
    resourceType: 'Patient',
    id,
    name: [{ text: name }],
    birthDate: '1960-05-17',
    identifier: [{ system: 'https://harbourlight.example/wristband', value: `band-${id}` }],
  });
  await weigh(id, '80.0', 1440);
  return id;
}

const weigh = (id: string, kg: string, minutesAgo: number): Promise<string> =>
  fhir(
    'POST',
    'Observation',
    weight(kg, 'kg', {
      subject: { reference: `Patient/${id}` },
      effectiveDateTime: new Date(Date.now() - minutesAgo * 60_000).toISOString(),
    }),
  );

async function statusOf(url: string): Promise<unknown> {
  return (JSON.parse(await fhir('GET', `Observation/${url.split('/').at(-1)?.split('?')[0]}`)) as { status: unknown }).status;
}

/** Opens one of the decisions and fills it in by keyboard alone. */
async function decide(on: Page, title: RegExp, reason: string): Promise<void> {
  const part = on.locator('details', { has: on.locator('summary', { hasText: title }) });
  await part.locator('summary').focus();
  await on.keyboard.press('Enter');
  await part.getByLabel(/^Reason/).focus();
  await on.keyboard.type(reason);
  await part.getByLabel('Your name').focus();
  await on.keyboard.type('Nurse Invented');
  await on.keyboard.press('Enter');
}

describe.skipIf(missing !== undefined)('the review page in a browser', () => {
  test('a held reading appears by itself, is opened, kept by keyboard, and arrives at the EHR', async () => {
    const id = await known('Wanda Invented');
    await goTo(page, `${service.url}/review`);
    await weigh(id, '97.8', 2);
    const link = page.getByRole('link', { name: 'Wanda Invented' });
    await link.waitFor({ timeout: 20_000 });
    expect(await page.title()).toBe('Readings that wait – Steelyard');
    await link.focus();
    await page.keyboard.press('Enter');
    await page.getByRole('heading', { name: 'Decide' }).waitFor();
    expect(await page.getByRole('img', { name: /97\.8.kg, after 1 earlier one/ }).count()).toBe(1);
    const address = page.url();
    await decide(page, /^Keep/, 'Known gain of fluid');
    await page.getByText('Kept. It goes into the chart.').waitFor();
    expect(await statusOf(address)).toBe('final');
    const arrived = (): boolean => receiver.bundles().some((bundle) => bundle.includes('97.8'));
    await expect.poll(arrived, { timeout: 30_000 }).toBe(true);
    await goTo(page, `${service.url}/review`);
    expect(await page.getByRole('link', { name: 'Wanda Invented' }).count()).toBe(0);
  });

  test('of two people who decide at once, one is told that the other was first', async () => {
    await weigh(await known('Twice Invented'), '97.8', 2);
    const other = await context.newPage();
    for (const one of [page, other]) {
      await goTo(one, `${service.url}/review`);
      await one.getByRole('link', { name: 'Twice Invented' }).click();
      await one.getByRole('heading', { name: 'Decide' }).waitFor();
    }
    const address = page.url();
    await decide(page, /^Discard/, 'Nobody was on the scale');
    await page.getByText('Discarded.').waitFor();
    await decide(other, /^Keep/, 'Known gain of fluid');
    await other.getByText('Somebody changed or decided it while you looked at it').waitFor();
    expect(await statusOf(address)).toBe('entered-in-error');
  });

  test('markup in a name and in what was refused stays text, and no program of anybody else runs', async () => {
    const alarms: string[] = [];
    page.on('dialog', (dialog) => void dialog.dismiss().then(() => alarms.push('dialog')));
    page.on('console', (message) => {
      if (message.type() === 'error') alarms.push(message.text());
    });
    page.on('request', (request) => {
      if (!request.url().startsWith(service.url)) alarms.push(request.url());
    });
    const name = '<img src=x onerror=alert(1)><script>alert(2)</script>';
    await weigh(await known(name), '97.8', 2);
    await fetch(`${service.url}/fhir/Observation`, {
      method: 'POST',
      headers: { 'Content-Type': 'application/fhir+json' },
      body: stringifyExact({ ...weight('70.05'), note: [{ text: name }] }),
    });
    for (const path of ['/review', '/review/refused', '/review/shift']) {
      await goTo(page, `${service.url}${path}`);
      expect(await page.locator('main').textContent()).toContain('onerror=alert(1)');
      expect(await page.locator('main img, main script').count()).toBe(0);
    }
    expect(alarms).toEqual([]);
  });

  test('nothing of anybody stands in address, title or the browser’s stores', async () => {
    await weigh(await known('Private Invented'), '97.8', 2);
    await goTo(page, `${service.url}/review`);
    await page.getByRole('link', { name: 'Private Invented' }).click();
    await page.getByRole('heading', { name: 'Decide' }).waitFor();
    // as text: these run in the browser, whose names the compiler of this code does not know
    const kept = await page.evaluate<{ stores: number[]; title: string }>(`(async () => ({
      stores: [localStorage.length, sessionStorage.length, (await indexedDB.databases()).length, (await caches.keys()).length],
      title: document.title,
    }))()`);
    expect(kept.stores).toEqual([0, 0, 0, 0]);
    expect(`${kept.title} ${page.url()}`).not.toMatch(/Private|band-|97\.8|p\d+$/);
  });
});

const THEMES = [
  { name: 'light', options: { colorScheme: 'light' } },
  { name: 'dark', options: { colorScheme: 'dark' } },
  { name: 'high contrast', options: { colorScheme: 'light', contrast: 'more' } },
  { name: 'dark, high contrast', options: { colorScheme: 'dark', contrast: 'more' } },
] as const;

/** Everything unfolded, by axe-core's rules. */
async function axeOn(shown: Page): Promise<{ readonly faults: readonly string[]; readonly checked: number }> {
  // those of one name close each other
  await shown.evaluate(`for (const part of document.querySelectorAll('details')) { part.removeAttribute('name'); part.open = true; }`);
  await shown.evaluate(AXE);
  return shown.evaluate(`axe.run({ runOnly: ${JSON.stringify(WCAG_AA)} }).then(
    ({ violations, passes }) => ({
      faults: violations.map(({ id, nodes }) => id + ': ' + nodes.map(({ html }) => html).join(' | ')),
      checked: passes.length,
    }),
  )`);
}

describe.skipIf(missing !== undefined)('trying a reading in a browser', () => {
  test('a file that is chosen stands in the field, is judged, and each finding leads to its line', async () => {
    await goTo(page, `${service.url}/try`);
    const text = stringifyExact(weight('72.45', 'kg', { effectiveDateTime: new Date(Date.now() - 60_000).toISOString() })).replace(
      /,/g,
      ',\n',
    );
    await page.getByLabel(/chosen here/).setInputFiles({ name: 'reading.json', mimeType: 'application/json', buffer: Buffer.from(text) });
    const field = page.getByLabel('FHIR R4 as JSON');
    await expect.poll(() => field.inputValue()).toBe(text);
    await page.getByRole('button', { name: 'Try it' }).focus();
    await page.keyboard.press('Enter');
    await page.getByText('It would be refused: HTTP 422.').waitFor();
    const line = text.split('\n').findIndex((one) => one.includes('72.45')) + 1;
    const link = page.getByRole('link', { name: `Line ${line}, column ` });
    await link.click();
    expect(new URL(page.url()).hash).toBe(`#line-${line}`);
    expect(await page.locator(`#line-${line} mark`).textContent()).toBe('72.45');
    expect(await field.inputValue()).toBe(text);
  });

  test('a file that is dropped on the field stands in it', async () => {
    await goTo(page, `${service.url}/try`);
    await page.evaluate(`(() => {
      const dataTransfer = new DataTransfer();
      dataTransfer.items.add(new File(['{"dropped": 1.0}'], 'reading.json'));
      document.querySelector('textarea').dispatchEvent(new DragEvent('drop', { dataTransfer, bubbles: true, cancelable: true }));
    })()`);
    await expect.poll(() => page.getByLabel('FHIR R4 as JSON').inputValue()).toBe('{"dropped": 1.0}');
  });

  test.each(THEMES)('what came of the example is legible in $name, and fits a telephone', async ({ options }) => {
    const themed = await browser.newContext({ viewport: { width: 390, height: 800 }, ...options });
    const shown = await themed.newPage();
    await goTo(shown, `${service.url}/try?example`);
    await shown.getByRole('button', { name: 'Try it' }).click();
    await shown.getByText('there would be 3 accepted, 1 held, 1 refused').waitFor();
    expect((await axeOn(shown)).faults).toEqual([]);
    expect(await shown.evaluate('document.documentElement.scrollWidth <= innerWidth')).toBe(true);
    await themed.close();
  });
});

describe.skipIf(missing !== undefined)('every page', () => {
  let paths: readonly string[];
  beforeAll(async () => {
    if (missing !== undefined) return;
    await fhir('PUT', 'Device/scale-1', {
      resourceType: 'Device',
      id: 'scale-1',
      status: 'active',
      deviceName: [{ name: 'Scale 1', type: 'user-friendly-name' }],
    });
    await weigh(await known('Legible Invented'), '97.8', 2);
    const refusedByEhr = await known('Unsent Invented');
    receiver.fail({ do: 'answer', status: 422, bodyHas: '81.9', isLasting: true });
    await weigh(refusedByEhr, '81.9', 2);
    const pageOf = async (path: string): Promise<string> => (await fetch(`${service.url}${path}`)).text();
    await vi.waitUntil(async () => (await pageOf('/review/unsent')).includes('Send again'), { timeout: 30_000, interval: 200 });
    const list = await (await fetch(`${service.url}/review`)).text();
    const reading = /\/review\/readings\/[^"]+/.exec(list)?.[0] ?? '';
    paths = [
      ...['/review', reading, '/review/refused', '/review/unsent', '/review/scales', '/review/scales/scale-1', '/review/shift'],
      ...['/try?example', '/rules', '/rules/weight-change-rate'],
    ];
  });

  test.each(THEMES)('is legible to everybody in $name, by the rules of WCAG 2.2 AA', async ({ options }) => {
    const themed = await browser.newContext({ viewport: { width: 1280, height: 900 }, ...options });
    const shown = await themed.newPage();
    for (const path of paths) {
      await goTo(shown, `${service.url}${path}`);
      const found = await axeOn(shown);
      expect(found.faults, path).toEqual([]);
      expect(found.checked, path).toBeGreaterThan(10);
    }
    await themed.close();
  });

  // 390 px is a telephone; a screen of 1280 px at 200 % zoom has 640 (WCAG 2.2, 1.4.4 and 1.4.10)
  test.each([390, 640])('fits a screen of %i px without scrolling sideways', async (width) => {
    const narrow = await browser.newContext({ viewport: { width, height: 800 } });
    const shown = await narrow.newPage();
    for (const path of paths) {
      await goTo(shown, `${service.url}${path}`);
      const beyond = await shown.evaluate<
        string[]
      >(`document.documentElement.scrollWidth <= innerWidth ? [] : [...document.querySelectorAll('*')]
        .filter((element) => element.getBoundingClientRect().right > innerWidth)
        .map((element) => element.outerHTML.slice(0, 200))`);
      expect(beyond, path).toEqual([]);
    }
    await narrow.close();
  });
});
