/** Every scenario of `examples/` through the real app, against the answer it writes down. */
import { afterEach, describe, expect, test } from 'vitest';
import { isJsonObject, parseExactJson, type JsonValue } from '../src/core/json.ts';
import { isLosslessNumber } from 'lossless-json';
import { exampleFolders, indexedPairs, missingFiles, readExample, readText, type ExpectedAnswer } from './examples/example-folders.ts';
import { fillKnown, resolveExpected, type Bindings } from './examples/expected-answer.ts';
import type { Answer } from './http/edge.ts';
import { startService, type Service } from './service.ts';

/** The morning on which all examples take place. */
const NOW = '2026-03-02T10:00:00Z';
const FOLDERS = exampleFolders();
const PAIRS = indexedPairs();
const INDEXED = PAIRS.flatMap(([right, fault]) => [right, fault]);

describe('the folder of examples', () => {
  test('holds at least 28 scenarios, each with its three files', () => {
    expect(FOLDERS.length).toBeGreaterThanOrEqual(28);
    expect(FOLDERS.filter((folder) => missingFiles(folder).length > 0)).toEqual([]);
  });

  test('has an index that pairs each scenario, the right one before the faulty one', () => {
    expect(FOLDERS.filter((folder) => !INDEXED.includes(folder))).toEqual([]);
    expect(INDEXED.filter((folder) => !FOLDERS.includes(folder))).toEqual([]);
    const rights = new Set(PAIRS.map(([right]) => right));
    expect(PAIRS.filter(([, fault]) => rights.has(fault))).toEqual([]);
  });

  test.each(FOLDERS)('%s tells its story and says that it is invented', (folder) => {
    const lines = readText(`${folder}/README.md`).trim().split('\n').filter(Boolean);
    expect(lines[0]).toMatch(/^# \S/);
    expect(lines.length).toBeGreaterThanOrEqual(4);
    expect(lines.at(-1)).toBe('All people and readings here are invented.');
  });

  test.each(PAIRS)('%s is taken whole, and %s is %s by %s', (right, fault, verdict, rule) => {
    expect(worstStatus(right)).toBeLessThan(202);
    if (verdict === 'held') expect(worstStatus(fault)).toBe(202);
    else expect(worstStatus(fault)).toBeGreaterThanOrEqual(400);
    expect(readText(`${fault}/response.json`)).toContain(`"code": "${rule}"`);
    expect(readText(`${right}/response.json`)).not.toContain(`"code": "${rule}"`);
  });
});

/** The highest status that the example answers, of its entries where it is a Bundle. */
function worstStatus(folder: string): number {
  const { response } = readExample(folder);
  const entries = isJsonObject(response.body) && Array.isArray(response.body['entry']) ? response.body['entry'] : [];
  const statuses = (entries as unknown[]).map((entry) =>
    Number.parseInt((entry as { readonly response: { readonly status: string } }).response.status, 10),
  );
  return Math.max(...(statuses.length > 0 ? statuses : [response.status]));
}

describe('an example', () => {
  let service: Service | undefined;
  afterEach(() => service?.close());

  test.each(FOLDERS)('%s is answered as it says', async (folder) => {
    const { requestText, request, response, then } = readExample(folder);
    service = await startService({ now: NOW });
    const bindings: Bindings = new Map([['${base}', service.base]]);
    const path = request['resourceType'] === 'Bundle' ? '' : 'Observation';
    expectAnswer(await service.post(path, requestText), response, bindings);
    for (const { get, ...expected } of then) {
      expectAnswer(await service.call('GET', fillKnown(get, bindings)), expected, bindings);
    }
  });

  test.each(FOLDERS)('%s loses no digit of what was sent and taken', async (folder) => {
    const { request, requestText } = readExample(folder);
    service = await startService({ now: NOW });
    await service.post(request['resourceType'] === 'Bundle' ? '' : 'Observation', requestText);
    const { resources } = await service.store.read.searchObservations({ includeHeld: true, sort: [], count: 50 });
    const sent = new Set(valuesOf(request));
    for (const { id, text } of resources.filter(({ id: one }) => !one.startsWith('bmi-'))) {
      const parsed = parseExactJson(text);
      if (!parsed.ok) throw new Error(`${id} is unreadable`);
      expect(valuesOf(parsed.value).filter((digits) => !sent.has(digits))).toEqual([]);
    }
  });
});

/** The written digits of every number in a tree. */
function valuesOf(tree: JsonValue): string[] {
  if (isLosslessNumber(tree)) return [tree.value];
  if (Array.isArray(tree)) return tree.flatMap(valuesOf);
  return isJsonObject(tree) ? Object.values(tree).flatMap(valuesOf) : [];
}

function expectAnswer(answer: Answer, expected: ExpectedAnswer, bindings: Bindings): void {
  const parsed = parseExactJson(answer.text);
  const body = parsed.ok ? parsed.value : answer.text;
  const headers = Object.fromEntries(Object.keys(expected.headers).map((name) => [name, answer.headers[name.toLowerCase()]]));
  const wanted = {
    status: expected.status,
    // ids first become known by the headers, and the body must name the same ones
    headers: resolveExpected(expected.headers, headers, bindings),
    body: resolveExpected(expected.body, body, bindings),
  };
  expect({ status: answer.status, headers, body }).toEqual(wanted);
}
