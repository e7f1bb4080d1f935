/** Each criterion by what it takes for right, for wrong, and for not seen. */
import { describe, expect, test } from 'vitest';
import type { Heard, Judgement } from '../../../src/cli/examine/criterion.ts';
import type { Exchange } from '../../../src/cli/examine/exchange.ts';
import { FaultPlan, FAULTS } from '../../../src/cli/examine/faults.ts';
import { CRITERIA, isSound, judgeAll } from '../../../src/cli/examine/report.ts';

const START = Date.parse('2026-03-02T10:00:00Z');

interface Changes {
  readonly id?: string | undefined;
  readonly value?: string;
  readonly code?: string;
  readonly time?: string;
  readonly device?: string | undefined;
  readonly more?: string;
}
/** An invented weight, digits as they are given. */
const weight = (changes: Changes = {}): string => {
  const { id, value, code, time, device, more } = {
    id: 'r1',
    value: '70.0',
    code: 'kg',
    time: '2026-03-02T10:00:00+01:00',
    device: 'scale-1',
    more: '',
    ...changes,
  };
  const identifier = id === undefined ? '' : `"identifier":[{"system":"urn:harbourlight:gateway","value":"${id}"}],`;
  const scale = device === undefined ? '' : `"device":{"reference":"Device/${device}"},`;
  return `{"resourceType":"Observation",${identifier}${scale}${more}"subject":{"reference":"Patient/ada-invented"},"effectiveDateTime":"${time}","valueQuantity":{"value":${value},"system":"http://unitsofmeasure.org","code":"${code}"}}`;
};

const HEADERS = { 'content-type': 'application/fhir+json', date: new Date(START).toUTCString(), 'x-request-id': 'call-1' };
type Call = Partial<Omit<Exchange, 'body' | 'headers'>> & { readonly body?: string | Buffer; readonly headers?: Exchange['headers'] };
/** @param at seconds after the start */
const call = (at: number, { body = weight(), headers, ...rest }: Call = {}): Exchange => ({
  method: 'POST',
  path: '/Observation',
  headers: { ...HEADERS, ...headers },
  body: Buffer.from(body),
  arrivedMs: START + at * 1000,
  endedMs: START + at * 1000 + 100,
  status: 201,
  ...rest,
});
const told = (at: number, after: number, fault: 'busy' | 'throttled', more: Call = {}): Exchange =>
  call(at, { fault, status: fault === 'busy' ? 503 : 429, notBeforeMs: START + (at + after) * 1000, ...more });

const ROWS: Readonly<Record<string, Readonly<Partial<Record<Judgement, readonly (readonly Exchange[])[]>>>>> = {
  'media-type': {
    right: [[call(0)], [call(0, { headers: { 'content-type': 'application/json; charset=utf-8' } })]],
    wrong: [
      [call(0, { headers: { 'content-type': 'text/plain' } })],
      [call(0, { headers: { 'content-type': undefined } })],
      [call(0, { body: '{"resourceType":' })],
      [call(0, { body: Buffer.from('{"resourceType":"Observ\u00e4tion"}', 'latin1') })],
    ],
    'not seen': [[], [call(0, { method: 'GET', path: '/metadata' })]],
  },
  identifier: {
    right: [[call(0)], [call(0, { path: '/', body: `{"resourceType":"Bundle","entry":[{"resource":${weight()}}]}` })]],
    wrong: [
      [call(0, { body: weight({ id: undefined }) })],
      [call(0, { path: '/', body: `{"resourceType":"Bundle","entry":[{"resource":${weight({ id: undefined })}}]}` })],
    ],
    'not seen': [[]],
  },
  'identifier-unique': {
    right: [
      [call(0), call(1, { body: weight({ id: 'r2', value: '71.0' }) })],
      [call(0), call(1), call(2, { body: weight({ id: 'r2' }) })],
    ],
    wrong: [[call(0), call(1, { body: weight({ value: '71.0' }) }), call(2, { body: weight({ id: 'r2' }) })]],
    'not seen': [[], [call(0)]],
  },
  device: {
    right: [[call(0)]],
    // what was put right later was sent without all the same
    wrong: [[call(0, { body: weight({ device: undefined }) })], [call(0, { body: weight({ device: undefined }) }), call(1)]],
    'not seen': [[]],
  },
  time: {
    right: [[call(0)], [call(0, { body: weight({ time: '2026-03-02T09:00:00.5Z' }) })]],
    wrong: ['2026-03-02', '2026-03-02T10:00:00', '2026-03-02T10:00Z', '2026-02-30T10:00:00Z'].map((time) => [
      call(0, { body: weight({ time }) }),
    ]),
  },
  unit: {
    right: [[call(0)], [call(0, { body: weight({ code: '[lb_av]', value: '150.25' }) })]],
    wrong: [[call(0, { body: weight({ code: 'KG' }) })], [call(0, { body: weight({ code: 'lbs' }) })]],
  },
  digits: {
    right: [[call(0), call(1, { body: weight({ id: 'r2', value: '70.5' }) })]],
    wrong: [[call(0, { body: weight({ value: '70' }) }), call(1, { body: weight({ id: 'r2', value: '70.5' }) })]],
    'not seen': [[call(0)], [call(0), call(1, { body: weight({ id: 'r2', value: '70', device: 'scale-2' }) })]],
  },
  method: { right: [[call(0, { body: weight({ more: '"method":{"text":"standing"},' }) })]], wrong: [[call(0)]] },
  clock: { right: [[call(59)]], wrong: [[call(61)], [call(0, { headers: { date: undefined } })]] },
  'request-id': {
    right: [[call(0)]],
    wrong: [[call(0, { headers: { 'x-request-id': undefined } })], [call(0, { headers: { 'x-request-id': 'a b' } })]],
  },
  urls: {
    right: [[call(0)], [call(0, { method: 'GET', path: '/Observation?code=29463-7&_count=5' })]],
    wrong: [
      '/Patient?name=Ada',
      '/Patient?_count=1&birthdate=1980-05-17',
      '/Observation?patient=ada',
      '/Observation?subject:identifier=a|1',
      '/Patient?identifier=a|1',
    ].map((path) => [call(0, { method: 'GET', path })]),
  },
  condition: {
    right: [[call(0, { headers: { 'if-none-exist': 'identifier=urn:harbourlight:gateway%7Cr1' } })]],
    wrong: [[call(0, { headers: { 'if-none-exist': 'identifier=urn:harbourlight:gateway%7Cr2' } })]],
    'not seen': [[call(0)]],
  },
  order: {
    right: [[call(0), call(1, { body: weight({ id: 'r2', time: '2026-03-02T10:01:00+01:00' }) })]],
    wrong: [
      [call(0), call(1, { body: weight({ id: 'r2', time: '2026-03-02T08:59:00Z' }) })],
      [
        call(0, { body: weight({ id: 'r0', time: 'yesterday' }) }),
        call(1),
        call(2, { body: weight({ id: 'r2', time: '2026-03-02T08:59:00Z' }) }),
      ],
    ],
    'not seen': [[call(0)], [call(0), call(1)]],
  },
  'after-503': {
    right: [[told(0, 2, 'busy'), call(2)]],
    wrong: [
      [told(0, 2, 'busy'), call(1.9)],
      [told(0, 2, 'busy'), call(3, { body: weight({ value: '71.0' }) })],
      [told(0, 2, 'busy'), call(3, { body: weight({ id: 'r2' }) })],
    ],
    'not seen': [[], [told(90, 2, 'busy')]],
  },
  'after-429': {
    right: [[told(0, 2, 'throttled'), call(2)]],
    wrong: [[told(0, 2, 'throttled'), call(0.2)], [told(0, 2, 'throttled')]],
    'not seen': [[told(90, 2, 'throttled')]],
  },
  'after-lost': {
    right: [[call(0, { fault: 'lost' }), call(1)]],
    wrong: [[call(0, { fault: 'lost' })], [call(0, { fault: 'lost' }), call(1, { body: weight({ id: 'again' }) })]],
    'not seen': [[call(0), call(1)], [call(80, { fault: 'lost' })]],
  },
  backoff: {
    right: [[told(0, 1, 'busy'), told(1, 1, 'busy'), call(3)]],
    wrong: [
      [told(0, 1, 'busy'), told(5, 1, 'busy'), call(7)],
      [told(0, 1, 'busy'), told(0.2, 1, 'busy'), call(0.5)],
    ],
    'not seen': [[told(0, 1, 'busy'), call(2)]],
  },
  slow: {
    right: [[call(0, { fault: 'slow', endedMs: START + 3_000 })]],
    wrong: [
      [call(0, { fault: 'slow', endedMs: START + 3_000 }), call(2)],
      // noted in the order in which they ended
      [call(2), call(0, { fault: 'slow', endedMs: START + 3_000 })],
      [{ ...call(0, { fault: 'slow' }), status: undefined as never }],
    ],
    'not seen': [[call(0)]],
  },
  'after-202': {
    right: [[call(0, { fault: 'held', status: 202 })], [call(0, { fault: 'held', status: 202 }), call(9, { body: weight({ id: 'r2' }) })]],
    wrong: [[call(0, { fault: 'held', status: 202 }), call(9)]],
    'not seen': [[call(0)], [call(80, { fault: 'held', status: 202 })]],
  },
  'after-422': {
    right: [[call(0, { fault: 'refused', status: 422 }), call(9, { body: weight({ value: '70.1' }) })]],
    wrong: [[call(0, { fault: 'refused', status: 422 }), call(9), call(18)]],
    'not seen': [[call(80, { fault: 'refused', status: 422 })]],
  },
  'after-201': { right: [[call(0)]], wrong: [[call(0), call(1)]], 'not seen': [[told(0, 1, 'busy')]] },
};

describe('the criteria', () => {
  test('are each tried here, and each has a source and a remedy', () => {
    expect(CRITERIA.map(({ id }) => id)).toEqual(Object.keys(ROWS));
    for (const { asks, source, remedy } of CRITERIA) expect([asks, source, remedy]).toEqual(Array(3).fill(expect.stringMatching(/\w{3}/)));
  });

  const cases = Object.entries(ROWS).flatMap(([id, rows]) =>
    Object.entries(rows).flatMap(([judgement, lists]) => lists.map((exchanges, index) => ({ id, judgement, index, exchanges }))),
  );
  test.each(cases)('$id takes example $index for $judgement', ({ id, judgement, exchanges }) => {
    const heard: Heard = { exchanges, endedMs: START + 100_000 };
    expect(CRITERIA.find((criterion) => criterion.id === id)?.judge(heard)).toMatchObject({ judgement });
  });

  test('name nobody in what they say', () => {
    for (const { exchanges } of cases)
      for (const { seen } of judgeAll({ exchanges, endedMs: START + 100_000 })) expect(seen).not.toMatch(/ada|r1|70/);
  });

  test('judge nothing that was not heard', () => {
    const judged = judgeAll({ exchanges: [], endedMs: START });
    expect(new Set(judged.map(({ judgement }) => judgement))).toEqual(new Set(['not seen']));
    expect(isSound(judged)).toBe(true);
  });

  test('that a gateway only should meet do not make it unsound', () => {
    expect(isSound(judgeAll({ exchanges: [call(61)], endedMs: START + 100_000 }))).toBe(true);
    expect(isSound(judgeAll({ exchanges: [call(0, { body: weight({ code: 'KG' }) })], endedMs: START + 100_000 }))).toBe(false);
  });
});

describe('the plan of faults', () => {
  test('gives each new reading the next fault, a resend that of its reading until it is used up, and then nothing', () => {
    const plan = new FaultPlan();
    expect(['a', 'b', 'b', 'b', 'c', 'c', 'd', 'e', 'f', 'g', 'h'].map((key) => plan.next(key))).toEqual([
      undefined,
      'busy',
      'busy',
      undefined,
      'lost',
      undefined,
      'throttled',
      'slow',
      'held',
      'refused',
      undefined,
    ]);
    expect(plan.left).toBe(0);
    expect(new FaultPlan().left).toBe(Object.keys(FAULTS).length);
  });
});
