/** Signing in to the real pages of the service as its settings start it, at a real OpenID provider. */
import { request, type IncomingMessage } from 'node:http';
import { once } from 'node:events';
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { openStore } from '../../../src/open-store.ts';
import { send } from '../edge.ts';
import { Browser, type Visit } from './browser.ts';
import { startWard, type Ward } from './ward.ts';

const MINUTE = 60_000;
const SESSION = 'steelyard-session';

let ward: Ward;
let browser: Browser;
beforeAll(async () => {
  ward = await startWard({ roles: { 'nurse-7': ['reviewer'], 'engineer-3': ['engineer'], 'porter-9': ['porter'] } });
});
afterAll(() => ward.close());
beforeEach(() => {
  browser = new Browser();
  ward.provider.person = 'nurse-7';
});
afterEach(() => {
  ward.clock.offsetMs = 0;
});

const open = (path: string, more: Parameters<Browser['go']>[1] = {}): Promise<Visit> => browser.go(`${ward.url}${path}`, more);
const field = ({ text }: Visit, name: string): string => new RegExp(`name="${name}"\\s+value="([^"]*)"`).exec(text)?.[1] ?? '';
const submit = (path: string, form: Readonly<Record<string, string>>, more: Parameters<Browser['go']>[1] = {}): Promise<Visit> =>
  open(path, { method: 'POST', form, from: ward.url, ...more });
const words = ({ text }: Visit): string => text.replace(/<[^>]*>/g, ' ').replace(/\s+/g, ' ');
const cookieOf = (): Record<string, string> => ({ Cookie: `${SESSION}=${browser.cookie(ward.url, SESSION)?.value ?? ''}` });
const statusOf = async (id: string): Promise<unknown> =>
  (JSON.parse((await ward.fhir('GET', `Observation/${id}`)).text) as { status: unknown }).status;

describe('a reviewer', () => {
  test('is sent to the provider, sees what waits, decides in their own name whatever the form says, and signs out', async () => {
    const id = await ward.held('Wanda Invented');
    const list = await open('/review');
    expect(list.trail.some((url) => url.startsWith(`${ward.provider.issuer}/auth?`))).toBe(true);
    expect([list.status, list.url]).toEqual([200, `${ward.url}/review`]);
    expect(words(list)).toMatch(/nurse-7 Invented.*Sign out.*Wanda Invented/);
    const page = await open(`/review/readings/${id}`, { from: ward.url });
    expect(page.text).not.toMatch(/name="who"/);
    const form = { 'form-token': field(page, 'form-token'), version: field(page, 'version'), reason: 'Known gain of fluid' };
    const decided = await submit(`/review/readings/${id}/decide`, { ...form, decision: 'keep', who: 'Somebody Else' });
    expect(words(decided)).toContain('Kept. It goes into the chart.');
    expect(await statusOf(id)).toBe('final');
    const provenance = (await ward.fhir('GET', `Provenance?target=Observation/${id}`)).text;
    const authors = (JSON.parse(provenance) as { entry: { resource: { reason?: unknown; agent: { who: unknown }[] } }[] }).entry
      .filter(({ resource }) => resource.reason !== undefined)
      .flatMap(({ resource }) => resource.agent.map(({ who }) => who));
    expect(authors).toContainEqual(expect.objectContaining({ identifier: { system: ward.provider.issuer, value: 'nurse-7' } }));
    expect(provenance).not.toContain('Somebody Else');
    const out = await submit('/review/sign-out', { 'form-token': form['form-token'] }, { follow: false });
    expect([out.status, browser.cookie(ward.url, SESSION)]).toEqual([200, undefined]);
    const back = await open(`/review/readings/${id}`, { follow: false });
    expect([back.status, back.text]).toEqual([303, '']);
  });

  test('stays signed in when the service is started again on the same store', async () => {
    await open('/review');
    const id = browser.cookie(ward.url, SESSION)?.value;
    await ward.restart();
    const visit = await open('/review', { follow: false });
    expect([visit.status, browser.cookie(ward.url, SESSION)?.value]).toEqual([200, id]);
    // forms of pages that were open before are taken too
    const form = { 'form-token': field(visit, 'form-token') };
    expect((await submit('/review/sign-out', form, { follow: false })).status).toBe(200);
  });

  test('is signed out after a quarter of an hour without use, whatever the page asks by itself', async () => {
    await open('/review');
    for (const minutes of [5, 10, 14]) {
      ward.clock.offsetMs = minutes * MINUTE;
      expect((await open('/review', { follow: false, headers: { 'X-Renewal': 'list' } })).status).toBe(200);
    }
    ward.clock.offsetMs = 15 * MINUTE;
    expect((await open('/review', { follow: false })).status).toBe(303);
  });

  test('is signed out after ten hours however much they do', async () => {
    await open('/review');
    for (let minutes = 10; minutes < 600; minutes += 10) {
      ward.clock.offsetMs = minutes * MINUTE;
      expect((await open('/review', { follow: false })).status, `${minutes}`).toBe(200);
    }
    ward.clock.offsetMs = 600 * MINUTE;
    expect((await open('/review', { follow: false })).status).toBe(303);
  });
});

describe('whoever is no reviewer', () => {
  test('may look as an engineer, but decides nothing', async () => {
    const id = await ward.held('Otto Invented');
    ward.provider.person = 'engineer-3';
    const page = await open(`/review/readings/${id}`);
    expect(words(page)).toMatch(/Otto Invented.*Only those with the role of a reviewer decide/);
    expect(page.text).not.toContain('/decide"');
    const form = { 'form-token': field(page, 'form-token'), version: '1', reason: 'No', decision: 'discard' };
    for (const action of ['decide', 'undo']) {
      const refused = await submit(`/review/readings/${id}/${action}`, form);
      expect(refused.status, action).toBe(403);
    }
    expect(await statusOf(id)).toBe('preliminary');
  });

  test('may have an item sent again as an engineer, in their own name, and may not as a reviewer', async () => {
    await ward.held('Parked Invented');
    const store = await openStore(ward.database, { clock: ward.clock, exclusive: false });
    const number = await store.write((writer) =>
      writer.enqueue({
        person: 'Patient/p1',
        resources: [{ type: 'Observation', id: 'w1', version: 1 }],
        concerns: ['w1'],
        queuedAt: new Date(ward.clock.nowMs()).toISOString(),
      }),
    );
    await store.outbox.park(number, 'the EHR answered 422');
    const retry = async () => {
      const page = await open('/review/unsent');
      const form = { 'form-token': field(page, 'form-token') };
      return { page, sent: await submit(`/review/unsent/${number}/retry`, form, { follow: false }) };
    };
    const asReviewer = await retry();
    expect(words(asReviewer.page)).toMatch(/parked(?! Send again).*the EHR answered 422/);
    expect([asReviewer.sent.status, (await store.outbox.counts()).parked]).toEqual([403, 1]);
    browser = new Browser();
    ward.provider.person = 'engineer-3';
    const asEngineer = await retry();
    expect(words(asEngineer.page)).toContain('parked Send again');
    expect([asEngineer.sent.status, (await store.outbox.counts()).parked]).toEqual([303, 0]);
    const { events } = await store.audit.search({ count: 50 });
    const retried = events.filter(({ text }) => text.includes('"outbox-retry"'));
    expect(retried.map(({ text }) => /"value":"engineer-3"/.test(text))).toEqual([true]);
    await store.outbox.discard(number, 'invented', ward.clock.nowMs());
    await store.close();
  });

  test('sees nothing of anybody without a role', async () => {
    const id = await ward.held('Hidden Invented');
    ward.provider.person = 'porter-9';
    const visit = await open(`/review/readings/${id}`);
    expect([visit.status, visit.text.includes('Hidden'), browser.cookie(ward.url, SESSION)]).toEqual([403, false, undefined]);
  });
});

describe('every form of the pages', () => {
  const ACTIONS = [
    'sign-out',
    'readings/ID/decide',
    'readings/ID/undo',
    'scales/s1/use',
    'scales/s1/recall',
    'unsent/1/retry',
    'no-such',
    '../try',
  ];

  test.each(ACTIONS)('%s needs its token, and is refused from elsewhere', async (action) => {
    const id = await ward.held('Forged Invented');
    const page = await open(`/review/readings/${id}`);
    const { pathname: path } = new URL(`/review/${action.replace('ID', id)}`, ward.url);
    const form = {
      decision: 'discard',
      version: '1',
      reason: 'Forged',
      use: 'out',
      since: '2026-01-01',
      action: 'flagged',
      confirmed: 'yes',
    };
    const formToken = field(page, 'form-token');
    expect(formToken).toMatch(/^[\w-]{43}$/);
    // a session that would do, so that only the token and the site are in question
    const more = { follow: false, headers: cookieOf() };
    expect((await submit(path, form, more)).status).toBe(403);
    expect((await submit(path, { ...form, 'form-token': `${formToken.slice(1)}A` }, more)).status).toBe(403);
    expect((await submit(path, { ...form, 'form-token': formToken }, { ...more, from: 'https://evil.example' })).status).toBe(403);
    expect(await statusOf(id)).toBe('preliminary');
    expect((await open('/review', { follow: false })).status).toBe(200);
  });
});

describe('a page that is left open', () => {
  test('begins no sign-in by itself once nobody is signed in any more, and is told so', async () => {
    // somebody is away at the provider in another tab
    await open('/review', { follow: false });
    const away = browser.cookie(ward.url, 'steelyard-sign-in')?.value;
    for (const [path, headers] of [
      ['/review', { 'X-Renewal': 'list' }],
      ['/review/events', {}],
      ['/review', { 'Sec-Fetch-Mode': 'cors' }],
      ['/review/shift.csv', { 'Sec-Fetch-Mode': 'no-cors' }],
    ] as [string, Record<string, string>][]) {
      const visit = await open(path, { follow: false, from: ward.url, headers });
      expect([visit.status, visit.headers['set-cookie']], path).toEqual([403, undefined]);
    }
    expect(browser.cookie(ward.url, 'steelyard-sign-in')?.value).toBe(away);
  });

  test('hears nothing more once its session was ended elsewhere', async () => {
    const page = await open('/review');
    const asked = request({ port: ward.port, path: '/review/events', headers: cookieOf() }).end();
    const [stream] = (await once(asked, 'response')) as [IncomingMessage];
    expect(stream.statusCode).toBe(200);
    stream.resume();
    const ended = once(stream, 'end').then(() => 'ended');
    expect((await submit('/review/sign-out', { 'form-token': field(page, 'form-token') }, { follow: false })).status).toBe(200);
    // long before the stream is over by itself, which is after 50 seconds
    expect(await Promise.race([ended, new Promise((resolve) => setTimeout(() => resolve('listens on'), 20_000))])).toBe('ended');
    expect((await send(ward.port, 'GET', '/review/events', { headers: cookieOf() })).status).toBe(403);
  });
});

test('the log names nobody and holds no secret, whoever signed in', async () => {
  await open('/review');
  const written = ward.logLines.join('\n');
  expect(written).toContain('"route":"/review/signed-in"');
  for (const secret of ['nurse-7', 'Invented', browser.cookie(ward.url, SESSION)?.value ?? 'none', 'code=', 'state='])
    expect(written.includes(secret), secret).toBe(false);
});
