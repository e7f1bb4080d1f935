/** docs/verdicts.md against the service: each verdict as the table says it, and every status of the table of errors once. */
import { readFileSync } from 'node:fs';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { stringifyExact } from '../src/core/json.ts';
import { ERRORS } from '../src/errors.ts';
import type { Answer } from './http/edge.ts';
import { NOW, weight, type Changes } from './measurements.ts';
import { startService, type Service } from './service.ts';

const page = readFileSync('docs/verdicts.md', 'utf8');
const rowsUnder = (heading: string): string[][] =>
  (page.split(`## ${heading}\n`)[1]?.split('\n## ')[0]?.split('<!-- generated')[0] ?? '')
    .split('\n')
    .filter((line) => /^\| (\d|none)/.test(line))
    .map((line) =>
      line
        .split('|')
        .slice(1, -1)
        .map((cell) => cell.trim()),
    );

let service: Service;
beforeAll(async () => {
  service = await startService({ now: NOW });
});
afterAll(() => service.close());

const named = { identifier: [{ system: 'urn:harbourlight:gateway', value: 'w1' }] };
const post = (value: string, changes: Changes = {}): Promise<Answer> =>
  service.post('Observation', stringifyExact(weight(value, 'kg', changes)));
/** In the order of the table, which tells of one reading after another. */
const BROUGHT_ABOUT: Readonly<Record<string, () => Promise<Answer>>> = {
  201: () => post('70.0', named),
  200: () => post('70.0', named),
  202: () => post('140.0', { effectiveDateTime: '2026-03-02T09:30:00Z' }),
  409: () => post('71.0', named),
  412: async () => {
    const id = /Observation\/([^/]+)/.exec((await post('70.0', named)).headers.location ?? '')?.[1] ?? '';
    const body = stringifyExact(weight('70.0', 'kg', { id }));
    return service.call('PUT', `/fhir/Observation/${id}`, {
      body,
      headers: { 'Content-Type': 'application/fhir+json', 'If-Match': 'W/"99"' },
    });
  },
  422: () => post('70.01'),
  400: () => service.post('Observation', '{"resourceType":'),
};

describe('the table of verdicts', () => {
  test('is true of the service, row by row: status, head, body, and whether an Observation is stored', async () => {
    const count = (): Promise<number> => service.store.read.countObservations({ includeHeld: true });
    const rows = rowsUnder('Verdicts');
    expect(rows.map(([status]) => status)).toEqual(['201', '200', '202', '409', '412', '422', '400']);
    for (const [status = '', , head = '', body = '', stored = ''] of rows) {
      const before = await count();
      const answer = await BROUGHT_ABOUT[status]!();
      const { resourceType, issue } = JSON.parse(answer.text) as { resourceType: string; issue?: { severity: string }[] };
      const headers = ['Location', 'ETag'].filter((name) => answer.headers[name.toLowerCase()] !== undefined);
      expect([status, answer.status, headers]).toEqual([status, Number(status), [...head.matchAll(/`(\w+)`/g)].map(([, name]) => name)]);
      expect([status, body]).toEqual([status, expect.stringContaining(resourceType)]);
      const [, severity] = /`(warning|error)`/.exec(body) ?? [];
      if (severity !== undefined) expect(issue?.map((one) => one.severity)).toContain(severity);
      expect([status, (await count()) - before]).toEqual([status, stored.startsWith('yes') ? 1 : 0]);
    }
  });
});

describe('the refusals that are not of a reading', () => {
  test('have a row for every status that the table of errors has and the verdicts do not', () => {
    const verdicts = rowsUnder('Verdicts').map(([status]) => status);
    const refusals = rowsUnder('Refusals that are not of a reading').flatMap(([statuses = '']) => statuses.match(/\d{3}/g) ?? []);
    const all = [...new Set(Object.values(ERRORS).map(({ status }) => String(status)))];
    expect(refusals.sort()).toEqual(all.filter((status) => !verdicts.includes(status)).sort());
  });

  test('tell to wait for Retry-After exactly where it is sent', () => {
    const waiting = rowsUnder('Refusals that are not of a reading').flatMap(([status, , what = '']) =>
      what.includes('`Retry-After`') ? [Number(status)] : [],
    );
    const sent = Object.values<{ status: number; retryAfter?: number }>(ERRORS).flatMap(({ status, retryAfter }) =>
      retryAfter === undefined ? [] : [status],
    );
    expect(waiting).toEqual([...new Set(sent)].sort());
  });
});
