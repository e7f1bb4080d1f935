/** The page to try a resource, as a browser gets it: verdict, findings at their place, nothing stored. */
import { afterAll, beforeAll, describe, expect, test, vi } from 'vitest';
import { stringifyExact } from '../../src/core/json.ts';
import { StoreUnavailable } from '../../src/ports.ts';
import { height, NOW, weight } from '../measurements.ts';
import { startService, type Service } from '../service.ts';
import type { Answer } from './edge.ts';

let service: Service;
let cookie = '';
let formToken = '';

beforeAll(async () => {
  service = await startService({ now: NOW });
  const page = await get('/try');
  cookie = String(page.headers['set-cookie'] ?? '').split(';')[0] ?? '';
  formToken = tokenIn(page);
  expect(formToken).not.toBe('');
});
afterAll(() => service.close());

const tokenIn = ({ text }: Answer): string => /name="form-token"\s+value="([^"]+)"/.exec(text)?.[1] ?? '';
const get = (path: string): Promise<Answer> =>
  service.call('GET', path, { headers: { Accept: 'text/html', ...(cookie && { Cookie: cookie }) } });

function tryOut(text: string, more: Readonly<Record<string, string>> = {}): Promise<Answer> {
  return service.call('POST', '/try', {
    headers: { 'Content-Type': 'application/x-www-form-urlencoded', Cookie: cookie },
    body: new URLSearchParams({ 'form-token': formToken, resource: text, ...more }).toString(),
  });
}

const words = ({ text }: Answer): string =>
  text
    .replace(/<textarea.*?<\/textarea>/s, ' ')
    .replace(/<[^>]*>/g, ' ')
    .replaceAll('\u00a0', ' ')
    .replaceAll('&quot;', '"')
    .replace(/\s+/g, ' ');
const entry = (resource: object) => ({ resource, request: { method: 'POST', url: 'Observation' } });
const countStored = (): Promise<number> => service.store.read.countObservations({ includeHeld: true });

describe('what comes of a text', () => {
  test('an accepted reading: the verdict, what would be stored, and the BMI beside it', async () => {
    await service.post('Observation', stringifyExact(height('164.5', 'cm', { effectiveDateTime: '2026-03-02T07:00:00Z' })));
    const before = await countStored();
    const page = await tryOut(stringifyExact(weight('72.4')));
    expect(page.status).toBe(200);
    expect(words(page)).toContain('It would be accepted: HTTP 201. Nothing was stored.');
    expect(words(page)).toMatch(/As it would be stored .*"value": 72\.4,.* Derived from it .*"value": 26\.8,/);
    expect(page.text).toContain('<ins>  &quot;meta&quot;: {</ins>');
    expect(page.text).not.toMatch(/<ins>[^<]*valueQuantity/);
    expect(await countStored()).toBe(before);
    expect(await service.store.read.refusals(10)).toEqual([]);
  });

  test('a refused reading: the finding with line, column, element, rule and source', async () => {
    const text =
      '{\n  "resourceType": "Observation",' +
      stringifyExact(weight('72.45'))
        .replace('{"resourceType":"Observation",', '\n')
        .replace('"valueQuantity":{', '\n"valueQuantity":{\n  ');
    const page = await tryOut(text);
    expect(words(page)).toContain('It would be refused: HTTP 422.');
    expect(words(page)).toMatch(
      /Digits beyond what may be recorded\. 72\.45 kg is not .* Line 5, column 11 , Observation\.value\.ofType\(Quantity\)\.value ; by precision-step ; source: /,
    );
    expect(page.text).toContain('<mark>72.45</mark>');
    expect(page.text).toMatch(/<a href="\/rules\/precision-step">/);
    expect(page.text).toMatch(/<a href="#line-5"\s*>/);
    // what was pasted is in the field again, to be mended
    expect(page.text).toContain('&quot;valueQuantity&quot;:{\n  &quot;value&quot;:72.45');
    expect(await service.store.read.refusals(10)).toEqual([]);
  });

  test('a Bundle: each entry in its place, judged with those before it', async () => {
    const bundle = {
      resourceType: 'Bundle',
      type: 'batch',
      entry: [
        entry(weight('80.0', 'kg', { subject: { reference: 'Patient/bo' } })),
        entry(weight('176.4', 'kg', { subject: { reference: 'Patient/bo' }, effectiveDateTime: '2026-03-02T08:30:00Z' })),
      ],
    };
    const page = await tryOut(stringifyExact(bundle));
    expect(words(page)).toContain('Of 2 entries there would be 1 accepted, 1 held.');
    // a line of so many characters is laid out anew, and places are counted in that
    expect(words(page)).toContain('It was laid out anew');
    expect(words(page)).toMatch(/held , from column \d+: Pounds charted as kilograms/);
    expect(page.text).toContain('<mark>176.4</mark>');
  });

  test.each<[string, string, string]>([
    ['no JSON', '{"resourceType": \n "Observation",,}', 'It would be refused: HTTP 400.'],
    ['no FHIR', '[]', 'It would be refused: HTTP 400.'],
    [
      'a Bundle that is not served',
      stringifyExact({ resourceType: 'Bundle', type: 'collection', entry: [{ resource: weight() }] }),
      'Send a Bundle of type batch or transaction.',
    ],
    [
      'an entry without a request',
      stringifyExact({ resourceType: 'Bundle', type: 'batch', entry: [{ resource: weight() }] }),
      'refused: HTTP 4',
    ],
    [
      'more entries than a page is for',
      stringifyExact({ resourceType: 'Bundle', type: 'batch', entry: Array.from({ length: 101 }, () => entry(weight())) }),
      'Use steelyard check for more.',
    ],
    ['a withdrawn reading', stringifyExact(weight('70.0', 'kg', { status: 'entered-in-error' })), 'It would be'],
  ])('%s is told as a gateway would be', async (_, text, says) => {
    const page = await tryOut(text);
    expect(page.status).toBe(200);
    expect(words(page)).toContain(says);
    // what is said of the request rather than of a reading is no rule, and has no page
    const links = [...page.text.matchAll(/href="(\/rules\/[^"]+)"/g)].map(([, link]) => String(link));
    for (const link of links) expect([link, (await get(link)).status]).toEqual([link, 200]);
  });

  test('the place of what is no JSON is its line and column', async () => {
    const page = await tryOut('{"resourceType": \n "Observation",,}');
    expect(words(page)).toMatch(/Line 2, column 16/);
    expect(page.text).toContain('<mark>,</mark>');
  });

  test('an empty field asks for something to try', async () => {
    const page = await tryOut('  ');
    expect([page.status, words(page)]).toEqual([400, expect.stringContaining('Paste an Observation or a Bundle')]);
  });

  test('markup in it stays text', async () => {
    const page = await tryOut(stringifyExact(weight('70.0', 'kg', { note: [{ text: '</textarea><script>alert(1)</script>' }] })));
    expect(page.text).not.toContain('<script>alert');
    expect(page.text.match(/<\/textarea>/g)).toHaveLength(1);
  });

  test('the example shows a reading of each fate', async () => {
    const example = /<textarea[^>]*>\n?(.*?)<\/textarea/s.exec((await get('/try?example')).text)?.[1] ?? '';
    const page = await tryOut(example.replaceAll('&quot;', '"'));
    expect(words(page)).toContain('Of 5 entries there would be 3 accepted, 1 held, 1 refused.');
    expect(words(page)).toMatch(/invented/);
  });
});

describe('the page', () => {
  test('names nobody in its title, is kept by nobody, and shows the caution', async () => {
    const page = await tryOut(stringifyExact(weight()));
    expect(/<title>([^<]*)<\/title>/.exec(page.text)?.[1]?.trim()).toBe('Try a reading or a Bundle – Steelyard');
    expect(page.headers['cache-control']).toBe('no-store');
    expect(page.headers['content-security-policy']).toContain("script-src 'self'");
    expect(words(page)).toContain('it makes no medical decision');
  });

  test('takes no form that no page of ours sent', async () => {
    expect((await tryOut('{}', { 'form-token': 'guessed' })).status).toBe(403);
  });

  test('is in the audit as an assessment, with whom it concerns', async () => {
    await tryOut(stringifyExact(weight('70.0', 'kg', { subject: { reference: 'Patient/somebody' } })));
    const { events } = await service.store.audit.search({ count: 1 });
    expect(JSON.stringify(events[0])).toContain('Patient/somebody');
    expect(JSON.stringify(events[0])).toContain('assess');
  });

  test('says in words that the store cannot tell just now', async () => {
    const down = vi.spyOn(service.store, 'write').mockRejectedValue(new StoreUnavailable(new Error('locked')));
    const page = await tryOut(stringifyExact(weight())).finally(() => down.mockRestore());
    expect([page.status, page.headers['content-type']]).toEqual([503, 'text/html; charset=utf-8']);
  });

  test('of a fault of the service says whose it is, in words', async () => {
    const broken = vi.spyOn(service.store, 'write').mockRejectedValue(new Error('a detail of the inside'));
    const page = await tryOut(stringifyExact(weight())).finally(() => broken.mockRestore());
    expect([page.status, words(page)]).toEqual([500, expect.stringContaining('This is our fault, not yours.')]);
    expect(page.text).not.toContain('detail of the inside');
  });

  test('takes a Bundle of megabytes, and says of more than five that it is too large', async () => {
    const padded = (length: number): string => `${' '.repeat(length)}${stringifyExact(weight())}`;
    expect((await tryOut(padded(2 * 1024 * 1024))).status).toBe(200);
    const over = await tryOut(padded(6 * 1024 * 1024));
    expect([over.status, words(over)]).toEqual([413, expect.stringContaining('larger than')]);
  });
});
