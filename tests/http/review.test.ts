import { afterAll, beforeAll, beforeEach, describe, expect, test, vi } from 'vitest';
import { deviceId, toDevice } from '../../examples/simulator/scales.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { StoreUnavailable } from '../../src/ports.ts';
import { startService, type Service } from '../service.ts';
import { height, NOW, weight } from '../measurements.ts';
import type { Answer } from './edge.ts';

/** The pages as a browser gets them, without one: what is on them, what forms do, what is refused. */

let service: Service;
const nowMs = Date.parse(NOW);
/** A cookie and the token that goes with it, as a page gives them. */
let cookie = '';
let formToken = '';

beforeAll(async () => {
  service = await startService({ now: NOW });
  const first = await get('/review');
  cookie = String(first.headers['set-cookie'] ?? '').split(';')[0] ?? '';
  formToken = /name="form-token"\s+value="([^"]+)"/.exec((await get(await heldReading('token-giver'))).text)?.[1] ?? '';
  expect(formToken).not.toBe('');
});
afterAll(() => service.close());

function get(path: string, headers: Record<string, string> = {}): Promise<Answer> {
  return service.call('GET', path, { headers: { Accept: 'text/html', Cookie: cookie, ...headers } });
}

function send(path: string, fields: Readonly<Record<string, string>>, headers: Record<string, string> = {}): Promise<Answer> {
  const body = new URLSearchParams({ 'form-token': formToken, ...fields }).toString();
  return service.call('POST', path, { headers: { 'Content-Type': 'application/x-www-form-urlencoded', Cookie: cookie, ...headers }, body });
}

let people = 0;

async function register(name: string, more: object = {}): Promise<string> {
  people += 1;
  const id = `p${people}`;
  const body = JSON.stringify({
    resourceType: 'Patient',
    id,
    name: [{ given: [name], family: 'Invented' }],
    gender: 'female',
    birthDate: '1960-05-17',
    identifier: [{ system: 'https://harbourlight.example/wristband', value: `band-${id}` }],
    ...more,
  });
  const answer = await service.call('PUT', `/fhir/Patient/${id}`, { headers: { 'Content-Type': 'application/fhir+json' }, body });
  expect(answer.status).toBe(201);
  return id;
}

async function post(observation: object, status: number): Promise<string> {
  const answer = await service.post('Observation', stringifyExact(observation));
  expect(answer.status, answer.text).toBe(status);
  return /\/Observation\/([^/]+)/.exec(answer.headers.location ?? '')?.[1] ?? '';
}

function ago(minutes: number): string {
  return new Date(nowMs - minutes * 60_000).toISOString();
}

/** Somebody of 80.0 kg who weighs 97.8 kg a day later; the address of that reading's page. */
async function heldReading(name: string): Promise<string> {
  const id = await register(name);
  const subject = { reference: `Patient/${id}` };
  await post(weight('80.0', 'kg', { subject, effectiveDateTime: ago(1440) }), 201);
  return `/review/readings/${await post(weight('97.8', 'kg', { subject, effectiveDateTime: ago(5) }), 202)}`;
}

const words = ({ text }: Answer): string =>
  text
    .replace(/<[^>]*>/g, ' ')
    .replaceAll('\u00a0', ' ')
    .replace(/\s+/g, ' ');

async function statusOf(page: string): Promise<unknown> {
  const answer = await service.call('GET', `/fhir/Observation/${page.split('/').at(-1)}`);
  return (JSON.parse(answer.text) as { status: unknown }).status;
}

describe('the worklist', () => {
  test('says who, what was read, why it waits and what to do, and names nobody in its title', async () => {
    await heldReading('Wanda');
    const page = await get('/review');
    expect(page.status).toBe(200);
    expect(words(page)).toMatch(
      /97\.8 kg.*Wanda Invented.*born 17 May 1960 · band-p\d+.*97\.8 kg is \+17\.8 kg.*What to do:.*weigh again.*waits/,
    );
    expect(/<title>([^<]*)<\/title>/.exec(page.text)?.[1]?.trim()).toBe('Readings that wait – Steelyard');
    expect(page.headers).toMatchObject({ 'cache-control': 'no-store', 'content-type': 'text/html; charset=utf-8' });
    expect(page.headers['content-security-policy']).toMatch(/default-src 'none'; script-src 'self'; style-src 'self'/);
    expect(page.text).not.toMatch(/<style|<script(?! src="\/review\/assets\/review\.js" defer)|\son[a-z]+=|style=/);
  });

  test('says on which ward the scales of the demo stand', async () => {
    const device = toDevice('standing');
    const put = await service.call('PUT', `/fhir/Device/${deviceId('standing')}`, {
      headers: { 'Content-Type': 'application/fhir+json' },
      body: stringifyExact(device),
    });
    expect(put.status, put.text).toBe(201);
    const subject = { reference: `Patient/${await register('Warded')}` };
    const weigh = (kg: string, minutes: number, status: number) =>
      post(weight(kg, 'kg', { subject, effectiveDateTime: ago(minutes), device: { reference: `Device/${deviceId('standing')}` } }), status);
    await weigh('80.0', 1440, 201);
    await weigh('97.8', 4, 202);
    expect(words(await get('/review'))).toMatch(
      /Warded Invented.*Standing scale of Harbourlight Ward \(invented\) Harbourlight Ward \(invented\)/,
    );
  });

  test('is narrowed by what is chosen, and says what does not match', async () => {
    await heldReading('Otto');
    expect(words(await get('/review?quantity=height'))).toMatch(/No reading waits here\. \d+ others? do(es)? not match/);
    expect(words(await get('/review?quantity=weight&rule=&ward=none'))).toContain('Otto Invented');
    expect(words(await get('/review?rule=no-such-rule'))).not.toContain('Otto Invented');
  });

  test('shows markup and writing direction in names as text', async () => {
    const id = await register('<img src=x onerror=alert(1)>', { name: [{ text: '<b>O\u202ebert</b>' }] });
    await post(weight('700.0', 'kg', { subject: { reference: `Patient/${id}` } }), 422);
    await post(weight('280.0', 'kg', { subject: { reference: `Patient/${id}` }, effectiveDateTime: ago(3) }), 202);
    const { text } = await get('/review');
    expect(text).toContain('&lt;b&gt;O[U+202E]bert&lt;/b&gt;');
    expect(text).not.toMatch(/<b>|<img|\u202e/);
  });

  test('is on record as shown, with whose readings were on it', async () => {
    const page = await heldReading('Recorded');
    const person = `Patient/p${people}`;
    await get('/review');
    await get(page);
    const answer = await service.call('GET', `/fhir/AuditEvent?patient=${person}&_count=50`);
    const events = (JSON.parse(answer.text) as { entry: { resource: { subtype: { code: string }[] } }[] }).entry.map(
      ({ resource }) => resource.subtype[0]?.code,
    );
    expect(events).toContain('search-type');
    expect(events).toContain('read');
  });
});

describe('the page of one reading', () => {
  let page: string;
  beforeEach(async () => {
    page = await heldReading('Rosa');
  });

  test('shows the value, the arithmetic, what came before and what would be accepted', async () => {
    const answer = await get(page);
    const text = words(answer);
    // 10 % of 80.0 kg either way within 30 days: see change-limits.ts for the source
    for (const part of [
      '97.8 kg',
      'Rosa Invented',
      'Last accepted weight 80.0 kg',
      'Change +17.8 kg +22.3 %',
      'Would be accepted 72.0 kg to 88.0 kg',
      'Gross',
      'Source:',
    ])
      expect(text).toContain(part);
    expect(answer.text).toMatch(/<svg[^>]*role="img"/);
    expect(/<title>([^<]*)<\/title>/.exec(answer.text)?.[1]?.trim()).toBe('One weight – Steelyard');
  });

  test('takes a decision once: the second of two is told, and nothing of theirs is stored', async () => {
    const version = /name="version"\s+value="(\d+)"/.exec((await get(page)).text)?.[1] ?? '';
    const decide = (decision: string, who: string) => send(`${page}/decide`, { decision, version, reason: 'Weighed again, the same', who });
    const [keep, discard] = await Promise.all([decide('keep', 'Nurse One'), decide('discard', 'Nurse Two')]);
    expect([keep.status, discard.status].sort()).toEqual([303, 412]);
    const [won, lost] = keep.status === 303 ? [keep, discard] : [discard, keep];
    expect(words(lost)).toContain('Somebody changed or decided it while you looked at it');
    const after = words(await get(won.headers.location ?? ''));
    expect(after).toMatch(/Nurse (One|Two) decided to (keep|discard) it, .*: Weighed again, the same/);
    expect(await statusOf(page)).toBe(keep.status === 303 ? 'final' : 'entered-in-error');
  });

  test('asks for a second weighing, and goes on waiting', async () => {
    const answer = await send(`${page}/decide`, { decision: 'weigh-again', version: '1', who: 'Nurse One' });
    expect(answer.headers.location).toBe(`${page}?done=asked`);
    expect(words(await get(page))).toContain('A second weighing was asked for. When it agrees, this reading is released by itself.');
    expect(await statusOf(page)).toBe('preliminary');
  });

  test('corrects the value in the digits that were written, and judges it', async () => {
    const correct = (value: string, unit = 'kg') =>
      send(`${page}/decide`, { decision: 'correct', version: '1', reason: 'Chair was not subtracted', who: 'Nurse One', value, unit });
    expect(words(await correct('80,5'))).toContain('Write the decimal point as a point');
    const unread = await correct('80.55');
    expect(unread.status).toBe(422);
    expect(unread.text).toContain('value="80.55"');
    expect(await statusOf(page)).toBe('preliminary');
    expect((await correct('80.0')).status).toBe(303);
    const stored = await service.call('GET', `/fhir/Observation/${page.split('/').at(-1)}`);
    expect(stored.text).toMatch(/"value":80\.0[,}]/);
    expect(JSON.parse(stored.text)).toMatchObject({ status: 'corrected' });
  });

  test('moves it to another person only once it was seen who that is', async () => {
    const other = await register('Olga');
    const fields = { decision: 'wrong-person', version: '1', reason: 'The wrong wristband was scanned', who: 'Nurse One' };
    expect(words(await send(`${page}/decide`, { ...fields, person: 'band-nobody' }))).toContain('Nobody is known by that identifier');
    const asked = await send(`${page}/decide`, { ...fields, person: `band-${other}` });
    expect(words(asked)).toMatch(/97\.8 kg.*Is this the person.*Olga Invented born 17 May 1960/);
    expect(asked.text).not.toMatch(/(href|action)="[^"]*band-/);
    expect(await statusOf(page)).toBe('preliminary');
    const patient = /name="patient"\s+value="([^"]+)"/.exec(asked.text)?.[1] ?? '';
    expect((await send(`${page}/decide`, { ...fields, patient })).status).toBe(303);
    expect(await statusOf(page)).toBe('entered-in-error');
    const theirs = await service.call('GET', `/fhir/Observation?patient=${other}&code=29463-7`);
    const { entry } = JSON.parse(theirs.text) as { entry: { resource: { status: string } }[] };
    expect(entry.map(({ resource }) => resource.status)).toEqual(['final']);
    expect(theirs.text).toMatch(/"value":97\.8[,}]/);
  });

  test('takes a decision back until it goes to the EHR, and then waits as before', async () => {
    expect((await send(`${page}/decide`, { decision: 'keep', version: '1', reason: 'Known gain of fluid', who: 'Nurse One' })).status).toBe(
      303,
    );
    const kept = await get(page);
    expect(words(kept)).toMatch(/This can be taken back until \d\d:\d\d:\d\d UTC/);
    const version = /name="version"\s+value="(\d+)"/.exec(kept.text)?.[1] ?? '';
    expect((await send(`${page}/undo`, { version, who: 'Nurse One' })).headers.location).toBe(`${page}?done=undone`);
    expect(await statusOf(page)).toBe('preliminary');
    const again = await send(`${page}/undo`, { version: String(Number(version) + 1), who: 'Nurse One' });
    expect(again.status).toBe(409);
    expect(words(again)).toContain('97.8 kg');
  });

  test.each([
    [{ decision: 'keep', version: '1', who: 'Nurse One' }, 422, 'Say why'],
    [{ decision: 'keep', version: '1', reason: 'x' }, 400, 'who'],
    [{ decision: 'bless', version: '1', reason: 'x', who: 'Nurse One' }, 400, 'Choose what is to be done'],
    [{ decision: 'wrong-person', version: '1', reason: 'x', who: 'Nurse One' }, 422, 'Scan the wristband'],
    [{ decision: 'correct', version: '1', reason: 'x', who: 'Nurse One', value: 'much', unit: 'kg' }, 422, 'in digits'],
    [{ decision: 'correct', version: '1', reason: 'x', who: 'Nurse One', value: '80.0', unit: 'st' }, 422, 'Choose the unit'],
  ])('says what a form lacks, and stores nothing: %j', async (fields, status, says) => {
    const answer = await send(`${page}/decide`, fields);
    expect(answer.status).toBe(status);
    expect(words(answer)).toContain(says);
    expect(await statusOf(page)).toBe('preliminary');
  });

  test('says what was done only as long as it is so', async () => {
    expect(words(await get(`${page}?done=kept`))).not.toContain('Kept. It goes into the chart');
    await send(`${page}/decide`, { decision: 'keep', version: '1', reason: 'Known gain of fluid', who: 'Nurse One' });
    expect(words(await get(`${page}?done=kept`))).toContain('Kept. It goes into the chart');
    expect(words(await get(`${page}?done=toString`))).not.toContain('native code');
  });

  test('tells in words that the store cannot take a decision just now, and takes it later', async () => {
    const version = '1';
    const keep = () => send(`${page}/decide`, { decision: 'keep', version, reason: 'Known gain of fluid', who: 'Nurse One' });
    const locked = vi.spyOn(service.store, 'write').mockRejectedValue(new StoreUnavailable(new Error('locked')));
    const refused = await keep().finally(() => locked.mockRestore());
    expect([refused.status, refused.headers['content-type']]).toEqual([503, 'text/html; charset=utf-8']);
    expect(words(refused)).toContain('The store cannot take this now');
    expect(await statusOf(page)).toBe('preliminary');
    expect((await keep()).status).toBe(303);
  });

  test('refuses a form that no page of ours sent', async () => {
    const fields = { decision: 'discard', version: '1', reason: 'x', who: 'Nurse One' };
    expect((await send(`${page}/decide`, { ...fields, 'form-token': 'guessed' })).status).toBe(403);
    expect((await send(`${page}/decide`, fields, { Origin: 'https://elsewhere.example' })).status).toBe(403);
    expect((await send(`${page}/decide`, fields, { 'Sec-Fetch-Site': 'cross-site' })).status).toBe(403);
    expect(await statusOf(page)).toBe('preliminary');
  });
});

describe('the other pages', () => {
  test('show what was refused as it was sent, with the finding and its place', async () => {
    await post({ ...weight('70.05', 'kg', {}), note: [{ text: '</pre><script>alert(1)</script>' }] }, 422);
    const page = await get('/review/refused');
    expect(words(page)).toMatch(/received .*gateway not known.*At Observation\.value/);
    expect(words(await get('/review/shift'))).toMatch(/\d+ readings? (was|were) refused in that time/);
    expect(page.text).toContain('&lt;/pre&gt;&lt;script&gt;');
    expect(page.text).toContain('70.05');
    expect(page.text).not.toContain('<script>');
  });

  test('show what has not reached the EHR, and why', async () => {
    await heldReading('Unsent');
    expect(words(await get('/review/unsent'))).toMatch(/\d+ items? waits?.*Unsent Invented.*Weight 80\.0 kg/);
  });

  test('let what the EHR would not take be sent again, once, and by whom is on record', async () => {
    await heldReading('Parked');
    const { outbox } = service.store;
    const newest = (await outbox.list({ states: ['waiting'], limit: 1000 })).find(({ person }) => person === `Patient/p${people}`);
    const number = newest?.number ?? 0;
    await outbox.park(number, 'the EHR answered 422 (business-rule)');
    const page = await get('/review/unsent');
    expect(words(page)).toMatch(/parked Send again Parked Invented Weight 80\.0 kg .*the EHR answered 422/);
    const path = `/review/unsent/${number}/retry`;
    expect(page.text).toContain(`action="${path}"`);
    const sent = await send(path, {});
    expect([sent.status, sent.headers.location]).toEqual([303, '/review/unsent?done=again']);
    expect(words(await get(String(sent.headers.location)))).toContain('It waits to be sent again.');
    expect(await outbox.list({ states: ['waiting'], limit: 1000 })).toContainEqual(expect.objectContaining({ number }));
    const { events } = await service.store.audit.search({ count: 50 });
    const ofIt = events.filter(({ text }) => text.includes('"outbox-retry"')).map(({ text }) => text);
    expect([ofIt.length, ofIt[0]?.includes(`"Patient/p${people}"`)]).toEqual([1, true]);
    // by somebody else, or by a second press
    const again = await send(path, {});
    expect([again.status, words(again)]).toEqual([409, expect.stringContaining(`Item ${number} was not sent again`)]);
    for (const none of ['0', '1e3', '-1', '9'.repeat(16)]) expect((await send(`/review/unsent/${none}/retry`, {})).status, none).toBe(404);
    expect((await send(path, { 'form-token': 'x' })).status).toBe(403);
  });

  test('take a scale out of use for a reason that is kept, so that its readings wait, and back', async () => {
    const device = {
      resourceType: 'Device',
      id: 'scale-9',
      status: 'active',
      deviceName: [{ name: 'Scale 9', type: 'user-friendly-name' }],
    };
    const put = await service.call('PUT', '/fhir/Device/scale-9', {
      headers: { 'Content-Type': 'application/fhir+json' },
      body: JSON.stringify(device),
    });
    expect(put.status).toBe(201);
    const weigh = async (kg: string, minutes: number, status: number) =>
      post(
        weight(kg, 'kg', {
          subject: { reference: `Patient/${await register('Scaled')}` },
          device: { reference: 'Device/scale-9' },
          effectiveDateTime: ago(minutes),
        }),
        status,
      );
    await weigh('70.0', 60, 201);
    expect(words(await get('/review/scales'))).toMatch(/Scale 9 in use.*70\.0 kg.*0 of 1 \(0 %\)/);
    const use = (fields: Record<string, string>) => send('/review/scales/scale-9/use', { use: 'out', version: '1', ...fields });
    expect((await use({ who: 'Nurse One' })).status).toBe(422);
    expect((await use({ reason: 'Dropped' })).status).toBe(422);
    expect((await use({ reason: 'x'.repeat(501), who: 'Nurse One' })).status).toBe(422);
    expect((await use({ use: 'about', reason: 'Dropped', who: 'Nurse One' })).status).toBe(400);
    expect((await use({ version: '', reason: 'Dropped', who: 'Nurse One' })).status).toBe(412);
    expect((await send('/review/scales/scale-9/use', { use: 'out', version: '1', reason: 'Dropped', who: 'Nurse One' })).status).toBe(303);
    expect((await send('/review/scales/scale-9/use', { use: 'out', version: '1', reason: 'Dropped', who: 'Nurse Two' })).status).toBe(412);
    await weigh('71.0', 30, 202);
    expect(words(await get('/review/scales/scale-9'))).toMatch(
      /out of use: its readings wait.*Nurse One: Taken out of use: Dropped.*71\.0 kg.*waiting/,
    );
    expect((await send('/review/scales/scale-9/use', { use: 'in', version: '2', reason: 'Checked', who: 'Nurse One' })).status).toBe(303);
    await weigh('72.0', 10, 201);
  });

  test('recall what a scale measured only once it was seen how many readings that is', async () => {
    const body = JSON.stringify({ resourceType: 'Device', id: 'scale-10', status: 'active' });
    await service.call('PUT', '/fhir/Device/scale-10', { headers: { 'Content-Type': 'application/fhir+json' }, body });
    const id = await post(
      weight('70.0', 'kg', { subject: { reference: `Patient/${await register('Recalled')}` }, device: { reference: 'Device/scale-10' } }),
      201,
    );
    const fields = { since: '2026-01-01', action: 'entered-in-error', reason: 'It was found wrong', who: 'Nurse One' };
    const asked = await send('/review/scales/scale-10/recall', fields);
    expect(words(asked)).toMatch(/It has measured 1 reading since 2026-01-01\. All of them will be entered in error/);
    expect(await statusOf(`/${id}`)).toBe('final');
    expect((await send('/review/scales/scale-10/recall', { ...fields, confirmed: 'yes' })).status).toBe(303);
    expect(await statusOf(`/${id}`)).toBe('entered-in-error');
    for (const wrong of [{ since: 'soon' }, { action: 'burn' }, { reason: ' ' }, { who: '' }])
      expect((await send('/review/scales/scale-10/recall', { ...fields, ...wrong })).status).toBe(422);
  });

  test('sum the shift up by ward, and for a spreadsheet without formulas', async () => {
    const id = await register('=1+1', { name: [{ text: '=cmd()' }] });
    await post(height('170.0', 'cm', { subject: { reference: `Patient/${id}` }, effectiveDateTime: ago(20) }), 201);
    expect(words(await get('/review/shift?hours=24'))).toMatch(/By ward.*not known \d+.*170\.0 cm/);
    const file = await get('/review/shift.csv?hours=24');
    expect(file.headers).toMatchObject({
      'content-type': 'text/csv; charset=utf-8',
      'content-disposition': 'attachment; filename="shift.csv"',
    });
    expect(file.text).toMatch(/^\ufeffmeasured,ward,/);
    expect(file.text).toMatch(/,'=cmd\(\),band-p\d+,height,170\.0,cm,accepted,/);
  });

  test('are not there under other names and methods, and tell a browser so in words where a reading is missing', async () => {
    expect((await get('/review/readings/nobody')).status).toBe(404);
    expect(words(await get('/review/readings/nobody'))).toContain('There is no such reading here');
    expect((await get('/review/scales/nobody')).status).toBe(404);
    expect((await get('/review/assets/../../package.json')).status).toBe(404);
    expect((await get('/review/assets/package.json')).status).toBe(404);
    expect((await service.call('DELETE', '/review')).status).toBe(405);
    const css = await get('/review/assets/review.css');
    expect(css.headers['content-type']).toBe('text/css; charset=utf-8');
    expect((await get('/review/assets/review.css', { 'If-None-Match': css.headers.etag ?? '' })).status).toBe(304);
  });

  test('leave no name, identifier or value in the log', async () => {
    await heldReading('Logmarker');
    await get('/review');
    // how long something took may have any digits
    expect(service.logLines.join('').replaceAll(/"durationMs":[\d.]+/g, '')).not.toMatch(/Logmarker|Invented|band-p|97\.8/);
  });
});
