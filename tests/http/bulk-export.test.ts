/** The export over HTTP, in the words of the HL7 guide "Bulk Data Access" 2.0.0, section "Bulk Data Export Operation". */
import { afterEach, beforeEach, describe, expect, test, vi } from 'vitest';
import { StoreUnavailable } from '../../src/ports.ts';
import { startService, type Service } from '../service.ts';
import { startGuarded } from './auth/guarded.ts';
import { keep } from './stored.ts';

interface Manifest {
  readonly transactionTime: string;
  readonly request: string;
  readonly requiresAccessToken: boolean;
  readonly output: readonly { readonly type: string; readonly url: string; readonly count: number }[];
  readonly error: readonly unknown[];
}

const ASYNC = { Accept: 'application/fhir+json', Prefer: 'respond-async' };
let service: Service;
let now: number;
beforeEach(async () => {
  now = Date.parse('2026-12-01T10:00:00Z');
  service = await startService({ now: () => now });
});
afterEach(() => service.close());

const begin = (query = '', headers: Readonly<Record<string, string>> = ASYNC) => service.call('GET', `/fhir/$export${query}`, { headers });
const pathOf = (location: string | undefined): string => (location ?? '').replace(service.base, '/fhir');
async function exported(query = ''): Promise<{ readonly place: string; readonly manifest: Manifest }> {
  const place = pathOf((await begin(query)).headers['content-location']);
  for (;;) {
    const { status, text } = await service.call('GET', place, { headers: { Accept: 'application/json' } });
    if (status === 200) return { place, manifest: JSON.parse(text) as Manifest };
    expect(status).toBe(202);
  }
}
const linesOf = async ({ output }: Manifest): Promise<string[]> => {
  const files = await Promise.all(
    output.map(({ url }) => service.call('GET', pathOf(url), { headers: { Accept: 'application/fhir+ndjson' } })),
  );
  return files.flatMap(({ text }) => text.split('\n').filter((line) => line !== ''));
};

describe('an export', () => {
  test('gives every Observation as it stands, one a line, with its written digits, and none that is held', async () => {
    await keep(service.store, { id: 'w1', value: '70.50' });
    await keep(service.store, { id: 'w2', held: true });
    await keep(service.store, { id: 'w3' });
    const { manifest, place } = await exported('?_type=Observation&_outputFormat=application/fhir%2Bndjson');
    await keep(service.store, { id: 'w1', value: '71.0' });
    expect(manifest).toMatchObject({
      request: `${service.base}/$export?_type=Observation&_outputFormat=application/fhir%2Bndjson`,
      requiresAccessToken: false,
      output: [{ type: 'Observation', count: 2 }],
      error: [],
    });
    const lines = await linesOf(manifest);
    expect(lines[0]).toContain('"value":70.50');
    expect(lines.map((line) => (JSON.parse(line) as { id: string }).id)).toEqual(['w1', 'w3']);
    const file = await service.call('GET', pathOf(manifest.output[0]?.url), { headers: { Accept: 'application/fhir+ndjson' } });
    expect(file.headers).toMatchObject({ 'content-type': 'application/fhir+ndjson', expires: 'Wed, 02 Dec 2026 10:00:00 GMT' });
    const next = await exported(`?_since=${manifest.transactionTime}`);
    expect((await linesOf(next.manifest)).map((line) => (JSON.parse(line) as { id: string }).id)).toEqual(['w1']);
    expect((await service.call('DELETE', place)).status).toBe(202);
    expect((await service.call('GET', place)).status).toBe(404);
    expect((await service.call('GET', pathOf(manifest.output[0]?.url))).status).toBe(404);
  });

  test('is the same as a search over all pages, and its files can be fetched again', async () => {
    await Promise.all(Array.from({ length: 1_203 }, (_, at) => keep(service.store, { id: `w${at}`, held: at % 7 === 0 })));
    const { manifest } = await exported();
    const found: string[] = [];
    for (let path: string | undefined = '/fhir/Observation?_count=500'; path !== undefined;) {
      const page = JSON.parse((await service.call('GET', path)).text) as {
        entry?: { resource: object }[];
        link: { relation: string; url: string }[];
      };
      found.push(...(page.entry ?? []).map(({ resource }) => JSON.stringify(resource)));
      const next = page.link.find(({ relation }) => relation === 'next')?.url;
      path = next === undefined ? undefined : pathOf(next);
    }
    const lines = (await linesOf(manifest)).map((line) => JSON.stringify(JSON.parse(line)));
    expect(lines).toEqual(found);
    expect(lines).toHaveLength(manifest.output.reduce((sum, { count }) => sum + count, 0));
    expect((await linesOf(manifest)).length).toBe(found.length);
    const { events } = await service.store.audit.search({ subtypes: [{ value: 'export' }], count: 99 });
    // begun once, and a page of 500 is recorded each time before it leaves
    expect(events).toHaveLength(1 + 2 * Math.ceil(found.length / 500));
    expect(events[0]?.text).toContain('Patient/ada');
  });

  test.each([
    ['without respond-async', '', { Accept: 'application/fhir+json' }, 400],
    ['of another type', '?_type=Patient', ASYNC, 400],
    ['in another format', '?_outputFormat=text/csv', ASYNC, 400],
    ['since no instant', '?_since=2026', ASYNC, 400],
    ['of one person', '?patient=Patient/ada', ASYNC, 400],
    ['with a filter', '?_typeFilter=Observation%3Fstatus%3Dfinal', ASYNC, 400],
    ['with a parameter twice', '?_type=Observation&_type=Observation', ASYNC, 400],
    [
      'leniently, with one that is not understood',
      '?_typeFilter=x&patient=y',
      { ...ASYNC, Prefer: 'respond-async, handling=lenient' },
      202,
    ],
  ])('asked for %s (%s) is answered as the guide has it', async (_what, query, headers, status) => {
    const answer = await begin(query, headers);
    expect(answer.status).toBe(status);
    if (status === 400) expect(answer.text).toContain('OperationOutcome');
  });

  test('is begun by no HEAD, limited in number, and over after a day', async () => {
    expect((await service.call('HEAD', '/fhir/$export', { headers: ASYNC })).status).toBe(405);
    const places: string[] = [];
    for (let job = 0; job < 5; job += 1) places.push(pathOf((await begin()).headers['content-location']));
    const refused = await begin();
    expect([refused.status, Number(refused.headers['retry-after'])]).toEqual([429, 60]);
    expect((await service.call('DELETE', places[0] ?? '')).status).toBe(202);
    expect((await begin()).status).toBe(202);
    now += 86_400_000;
    expect((await service.call('GET', places[1] ?? '')).status).toBe(404);
    expect((await begin()).status).toBe(202);
  });

  test('has no other files than those of its manifest', async () => {
    await keep(service.store, { id: 'w1' });
    const { place } = await exported();
    for (const part of ['1', 'x', '-1', '99999999999']) expect((await service.call('GET', `${place}/${part}`)).status, part).toBe(404);
    expect((await service.call('HEAD', `${place}/0`)).text).toBe('');
  });
});

describe('the file of an export', () => {
  const file = { headers: { Accept: 'application/fhir+ndjson' } };
  async function exportedMany(): Promise<{ place: string; read: () => ReturnType<Service['call']> }> {
    // more than one page
    await Promise.all(Array.from({ length: 600 }, (_, at) => keep(service.store, { id: `w${at}` })));
    const { place } = await exported();
    return { place, read: () => service.call('GET', `${place}/0`, file) };
  }
  /** What comes between the two pages of the next file. */
  function spoilSecondPage(spoil: () => Promise<unknown>): void {
    const { exports } = service.store;
    vi.restoreAllMocks();
    const page = exports.page.bind(exports);
    vi.spyOn(exports, 'page')
      .mockImplementationOnce(page)
      .mockImplementationOnce(async (...args) => {
        await spoil();
        return page(...args);
      });
  }
  const gone = () => Promise.reject(new StoreUnavailable(new Error('gone')));

  test.each(['page', 'find'] as const)('is answered 503 while the store cannot be read (%s), and whole afterwards', async (step) => {
    const { read } = await exportedMany();
    vi.spyOn(service.store.exports, step).mockImplementationOnce(gone);
    const { status, headers, text } = await read();
    expect([status, headers['retry-after']]).toEqual([503, '5']);
    expect(text).toContain('transport-store-unavailable');
    expect((await read()).text.trim().split('\n')).toHaveLength(600);
  });

  test('is cut off where the store goes away in its midst, and keeps no place from others', async () => {
    const { read } = await exportedMany();
    for (let turn = 0; turn < 5; turn += 1) {
      spoilSecondPage(gone);
      await expect(read()).rejects.toThrow();
    }
    expect((await read()).text.trim().split('\n')).toHaveLength(600);
  });

  test('is cut off where the export is deleted in its midst, so that nobody takes a part for the whole', async () => {
    const { place, read } = await exportedMany();
    spoilSecondPage(async () => expect((await service.call('DELETE', place)).status).toBe(202));
    await expect(read()).rejects.toThrow();
  });
});

test('an export is there for the client that asked for it and nobody else', async () => {
  const guarded = await startGuarded();
  await keep(guarded.service.store, { id: 'w1' });
  const reader = (client: string) => ({ client_id: client, sub: client, scope: 'system/Observation.rs' });
  const begun = await guarded.as(reader('ehr'), 'GET', '/fhir/$export', undefined, ASYNC);
  const place = String(begun.headers['content-location']).replace(guarded.service.base, '/fhir');
  expect((await guarded.as(reader('other'), 'GET', place)).status).toBe(404);
  expect((await guarded.as(reader('other'), 'GET', `${place}/0`)).status).toBe(404);
  expect((await guarded.as(reader('other'), 'DELETE', place)).status).toBe(404);
  const status = await guarded.as(reader('ehr'), 'GET', place);
  expect(JSON.parse(status.text)).toMatchObject({ requiresAccessToken: true, output: [{ count: 1 }] });
  expect((await guarded.as(reader('ehr'), 'GET', `${place}/0`)).status).toBe(200);
});
