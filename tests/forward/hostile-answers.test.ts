/**
 * 10,000 damaged answers over real sockets, the same every time: nothing crashes, and nothing is marked
 * as sent that the answer does not prove. What proves it is judged here by other code than the service's.
 */
import { createServer, type IncomingMessage, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { afterAll, beforeAll, expect, it } from 'vitest';
import { OURS } from '../../src/core/terminology.ts';
import { classify } from '../../src/forward/classify.ts';
import { EhrClient, type EhrReply } from '../../src/forward/ehr-client.ts';
import type { Identity } from '../../src/forward/identity.ts';
import { lookUp } from '../../src/forward/look-up.ts';
import type { OutgoingEntry } from '../../src/forward/outgoing-bundle.ts';
import { seeded } from './seeded.ts';

const ANSWERS = 10_000;
const AT_ONCE = 16;
const random = seeded(20_260_302);
const below = (end: number): number => Math.floor(random() * end);
const oneOf = <Item>(items: readonly Item[]): Item => items[below(items.length)] as Item;

const identity = (value: string): Identity => ({ type: 'Observation', system: OURS.observationIdentifier, value });
const ENTRIES: readonly OutgoingEntry[] = [
  { type: 'Observation', id: 'w-1', version: 1, identity: identity('w-1'), method: 'POST', content: {} },
  { type: 'Observation', id: 'b-1', version: 2, identity: identity('b-1'), method: 'PUT', content: {}, copyAt: 'Observation/77' },
  {
    type: 'Provenance',
    id: 'p-1',
    version: 1,
    identity: { type: 'Provenance', system: OURS.provenanceTag, value: 'p-1' },
    method: 'POST',
    content: {},
  },
];

const resource = (value: string, id: string): object => ({
  resourceType: 'Observation',
  id,
  meta: { versionId: '1' },
  identifier: [{ system: OURS.observationIdentifier, value }],
});
const TRANSACTION = JSON.stringify({
  resourceType: 'Bundle',
  type: 'transaction-response',
  entry: [
    { response: { status: '201 Created', location: 'Observation/5/_history/1', etag: 'W/"1"' }, resource: resource('w-1', '5') },
    { response: { status: '200 OK', location: 'Observation/77/_history/2', etag: 'W/"2"' } },
    { response: { status: '201 Created', location: 'Provenance/9/_history/1', etag: 'W/"1"' } },
  ],
});
const OUTCOME = JSON.stringify({
  resourceType: 'OperationOutcome',
  issue: [{ severity: 'error', code: 'not-found', expression: ['Bundle.entry[0].resource.subject'], diagnostics: 'invented' }],
});
const SEARCHSET = JSON.stringify({
  resourceType: 'Bundle',
  type: 'searchset',
  total: 1,
  entry: [{ fullUrl: 'x', resource: resource('w-1', '5'), search: { mode: 'match' } }],
});

const LITERALS = ['null', '{}', '[]', '""', '-1', '1e400', 'true', '"Observation/5"', '[[[[[[]]]]]]', '"\\ud800"', '{"__proto__":{}}'];
const SNIPPETS = ['"', '{', '}', '[', ']', ',', ':', '\\', '\u0000', '\ufeff', '"entry":[],', '"status":"201",', '0', '\u202e'];

type Damage = (text: string) => string;
const DAMAGES: readonly Damage[] = [
  (text) => text.slice(0, below(text.length)),
  (text) => text.slice(below(text.length)),
  (text) => spliced(text, below(text.length), 1 + below(8), ''),
  (text) => spliced(text, below(text.length), 0, oneOf(SNIPPETS)),
  (text) => spliced(text, below(text.length), 1, oneOf(SNIPPETS)),
  (text) =>
    text.replaceAll(oneOf(['Observation', '201', '200', 'location', 'entry', 'response', 'status', '77', 'w-1']), () =>
      random() < 0.5 ? oneOf(['Patient', '422', '', 'x']) : '$&',
    ),
  // a value gives way to another
  (text) => replacedAt(text, /"(?:[^"\\]|\\.)*"|\d+|\[|\{/g, () => oneOf(LITERALS)),
  // a piece is there twice, or in another place
  (text) => {
    const [from, length] = [below(text.length), below(120)];
    return spliced(text, below(text.length), 0, text.slice(from, from + length));
  },
  ...[reordered, withoutOne, withOneMore].map((change) => (text: string) => withEntries(text, change)),
  () => '',
  () => '<html><body>Sign in</body></html>',
  (text) => '['.repeat(200) + text,
  (text) => text + ' '.repeat(below(5_000)),
];

function spliced(text: string, at: number, remove: number, insert: string): string {
  return text.slice(0, at) + insert + text.slice(at + remove);
}

function replacedAt(text: string, pattern: RegExp, by: () => string): string {
  const hits = [...text.matchAll(pattern)];
  const hit = oneOf(hits);
  return hit === undefined ? text : spliced(text, hit.index, hit[0].length, by());
}

function withEntries(text: string, change: (entries: unknown[]) => unknown[]): string {
  try {
    const bundle = JSON.parse(text) as { entry?: unknown[] };
    return JSON.stringify({ ...bundle, entry: change(bundle.entry ?? []) });
  } catch {
    return text;
  }
}
function reordered(entries: unknown[]): unknown[] {
  return entries
    .map((entry) => ({ entry, at: random() }))
    .toSorted((a, b) => a.at - b.at)
    .map(({ entry }) => entry);
}
function withoutOne(entries: unknown[]): unknown[] {
  return entries.toSpliced(below(entries.length), 1);
}
function withOneMore(entries: unknown[]): unknown[] {
  return entries.toSpliced(below(entries.length), 0, entries[below(entries.length)]);
}

interface Answer {
  readonly status: number;
  readonly body: string;
  /** Of the Content-Length; beyond the body when above 0. */
  readonly lengthOff: number;
  readonly cut?: 'reset' | 'close';
}

function damaged(text: string): Answer {
  let body = text;
  for (let times = below(4); times > 0; times -= 1) body = oneOf(DAMAGES)(body);
  const status = random() < 0.75 ? 200 : oneOf([201, 202, 204, 299, 301, 400, 401, 404, 409, 422, 429, 500, 503, 599, 999]);
  const lengthOff = random() < 0.1 ? below(200) - 100 : 0;
  const cut = random() < 0.05 ? oneOf(['reset', 'close'] as const) : undefined;
  return { status, body, lengthOff, ...(cut && { cut }) };
}

const answers = new Map<string, Answer>();
const server = createServer((request, response) => {
  request.resume().once('end', () => reply(request, response));
});
let ehr: EhrClient;
beforeAll(async () => {
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  ehr = new EhrClient({ baseUrl: `http://127.0.0.1:${(server.address() as AddressInfo).port}/fhir`, timeoutMs: 300, connections: AT_ONCE });
});
afterAll(async () => {
  await ehr.close();
  server.closeAllConnections();
  await new Promise((resolve) => server.close(resolve));
});

function reply(request: IncomingMessage, { socket }: ServerResponse): void {
  const { status, body, lengthOff, cut } = answers.get(String(request.headers['x-request-id'])) as Answer;
  const bytes = Buffer.from(body);
  const length = Math.max(0, bytes.length + lengthOff);
  socket?.write(
    `HTTP/1.1 ${status} Whatever\r\nContent-Type: application/fhir+json\r\nContent-Length: ${length}\r\nConnection: close\r\n\r\n`,
  );
  if (cut === 'reset') socket?.resetAndDestroy();
  else socket?.end(cut === 'close' ? bytes.subarray(0, bytes.length / 2) : bytes);
}

/** Does the answer, read by the letter, prove all of `ENTRIES`? */
function proves(text: string): boolean {
  const bundle = JSON.parse(text) as { resourceType?: unknown; type?: unknown; entry?: unknown };
  if (bundle.resourceType !== 'Bundle' || bundle.type !== 'transaction-response' || !Array.isArray(bundle.entry)) return false;
  if (bundle.entry.length !== ENTRIES.length) return false;
  const places = new Set<string>();
  for (const [at, sent] of ENTRIES.entries()) {
    const { response, resource: returned } = bundle.entry[at] as { response: Record<string, unknown>; resource?: Record<string, unknown> };
    if (typeof response['status'] !== 'string' || response['status'].charAt(0) !== '2') return false;
    const location = response['location'];
    const [type, id] =
      typeof location === 'string'
        ? location
            .replace(/\/_history\/.*$/, '')
            .split('/')
            .slice(-2)
        : [];
    const place =
      location === undefined && sent.copyAt !== undefined && typeof response['etag'] === 'string' ? sent.copyAt : `${type}/${id}`;
    if (!place.startsWith(`${sent.type}/`) || (sent.copyAt !== undefined && place !== sent.copyAt)) return false;
    places.add(place);
    const held = returned?.['identifier'] as { system?: string; value?: string }[] | undefined;
    const foreign = Array.isArray(held) && held.find(({ system }) => system === OURS.observationIdentifier && sent.type === 'Observation');
    if (foreign && typeof foreign.value === 'string' && foreign.value !== sent.identity.value) return false;
  }
  return places.size === ENTRIES.length;
}

it(`${ANSWERS} damaged answers crash nothing, prove nothing that they do not say, and end in time`, async () => {
  const kinds = new Map<string, number>();
  const unsafe: string[] = [];
  const count = (kind: string): void => void kinds.set(kind, (kinds.get(kind) ?? 0) + 1);

  const tryOne = async (at: number): Promise<void> => {
    const id = `hostile-${at}`;
    const isLookUp = at % 4 === 0;
    const answer = damaged(isLookUp ? SEARCHSET : oneOf([TRANSACTION, TRANSACTION, OUTCOME]));
    answers.set(id, answer);
    if (isLookUp) {
      const found = await lookUp(ehr, [identity('w-1')], id);
      count(`look-up ${found.kind}`);
      if (found.kind !== 'found') return;
      for (const [value, { reference }] of found.copies)
        if (value !== 'w-1' || !/^Observation\/[A-Za-z0-9\-.]{1,64}$/.test(reference)) unsafe.push(answer.body);
    } else {
      const came: EhrReply = await ehr.postBundle('{}', id);
      const outcome = classify(came, ENTRIES);
      count(outcome.kind);
      if (outcome.kind !== 'sent') return;
      const isWhole = came.kind === 'answer' && came.text !== undefined && came.status >= 200 && came.status < 300;
      if (!isWhole || !proves(came.text)) unsafe.push(answer.body);
    }
    answers.delete(id);
  };

  let next = 0;
  const worker = async (): Promise<void> => {
    while (next < ANSWERS) await tryOne((next += 1));
  };
  await Promise.all(Array.from({ length: AT_ONCE }, worker));
  expect(unsafe).toEqual([]);
  expect([...kinds.values()].reduce((sum, times) => sum + times, 0)).toBe(ANSWERS);
  // the damage is neither so small that all is sent nor so great that nothing is
  for (const kind of ['sent', 'unclear', 'permanent', 'destination', 'transient', 'conflict', 'look-up found', 'look-up unclear'])
    expect(kinds.get(kind), kind).toBeGreaterThan(20);
}, 600_000);
