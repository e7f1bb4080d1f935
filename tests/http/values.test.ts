import { describe, expect, test } from 'vitest';
import { ServiceError } from '../../src/errors.ts';
import { parseQuery, writeQuery } from '../../src/http/search/query.ts';
import { alternatives, fullIdentifier, referenceId, searchDate, token } from '../../src/http/search/values.ts';

const BASE = 'http://127.0.0.1:8080/fhir';

function codeOf(run: () => unknown): string {
  try {
    run();
  } catch (error) {
    if (error instanceof ServiceError) return error.code;
    throw error;
  }
  return 'none';
}

describe('search dates', () => {
  test.each([
    ['2026', '2026-01-01T00:00:00.000000Z', '2026-12-31T23:59:59.999999Z'],
    ['2024-02', '2024-02-01T00:00:00.000000Z', '2024-02-29T23:59:59.999999Z'],
    ['2026-12', '2026-12-01T00:00:00.000000Z', '2026-12-31T23:59:59.999999Z'],
    ['2026-03-31', '2026-03-31T00:00:00.000000Z', '2026-03-31T23:59:59.999999Z'],
    ['2026-03-01T08:30', '2026-03-01T08:30:00.000000Z', '2026-03-01T08:30:59.999999Z'],
    ['2026-03-01T08:30:15Z', '2026-03-01T08:30:15.000000Z', '2026-03-01T08:30:15.999999Z'],
    ['2026-03-01T08:30:15.25+02:00', '2026-03-01T06:30:15.250000Z', '2026-03-01T06:30:15.259999Z'],
    ['2026-03-01T08:30:15.123456Z', '2026-03-01T08:30:15.123456Z', '2026-03-01T08:30:15.123456Z'],
    ['2026-03-01T08:30:15 02:00', '2026-03-01T06:30:15.000000Z', '2026-03-01T06:30:15.999999Z'],
  ])('%s spans from %s to %s', (text, start, end) => {
    const bound = searchDate('date', text);
    expect(bound).toMatchObject({ comparator: 'eq', start, end });
    expect(bound.startMs).toBe(Date.parse(start.slice(0, 23) + 'Z'));
    expect(bound.endMs).toBe(Date.parse(end.slice(0, 23) + 'Z'));
  });

  test.each(['eq', 'ne', 'gt', 'lt', 'ge', 'le', 'sa', 'eb'])('the prefix %s is the comparator', (prefix) => {
    expect(searchDate('date', `${prefix}2026-03-01`).comparator).toBe(prefix);
  });

  test('an approximate date is said not to be supported', () => {
    expect(codeOf(() => searchDate('date', 'ap2026'))).toBe('ERR_NOT_SUPPORTED');
  });

  test.each([
    'yesterday',
    '',
    '2026-02-30',
    '2026-13',
    '26-01-01',
    '0026',
    '2026-03-01T25:00Z',
    '2026-03-01T08:30:60Z',
    'xx2026',
    '2026-03-01T08:30+15:00',
    `2026${'0'.repeat(60)}`,
  ])('"%s" is no date', (text) => {
    expect(codeOf(() => searchDate('date', text))).toBe('ERR_BAD_VALUE');
  });
});

describe('tokens', () => {
  test('name a code, a code of a system, or a code of no system', () => {
    expect(token('code', '39156-5')).toEqual({ value: '39156-5' });
    expect(token('code', 'http://loinc.org|39156-5')).toEqual({ system: 'http://loinc.org', value: '39156-5' });
    expect(token('code', '|39156-5')).toEqual({ system: '', value: '39156-5' });
  });

  test('a bar and a comma may be written with a backslash', () => {
    expect(alternatives('code', String.raw`a\,b,c`)).toEqual([String.raw`a\,b`, 'c']);
    expect(token('code', String.raw`a\,b\|c`)).toEqual({ value: 'a,b|c' });
    expect(alternatives('code', 'a\\\\,b')).toEqual(['a\\\\', 'b']);
  });

  test.each([
    () => alternatives('code', 'a,,b'),
    () => alternatives('code', ','),
    () => token('code', 'system|'),
    () => token('code', 'a|b|c'),
    () => fullIdentifier('patient:identifier', 'value'),
  ])('an incomplete one is refused (%#)', (run) => {
    expect(codeOf(run)).toBe('ERR_BAD_VALUE');
  });
});

describe('references', () => {
  test.each(['ada', 'Patient/ada', `${BASE}/Patient/ada`])('%s is the id ada', (text) => {
    expect(referenceId('patient', text, 'Patient', BASE)).toBe('ada');
  });

  test.each(['Device/ada', 'http://elsewhere.example/fhir/Patient/ada', 'Patient/', '../ada', 'Patient/ada/_history/1'])(
    '%s is refused',
    (text) => {
      expect(codeOf(() => referenceId('patient', text, 'Patient', BASE))).toBe('ERR_BAD_VALUE');
    },
  );
});

describe('query strings', () => {
  test('keep order and repetition, and decode once', () => {
    expect(parseQuery('date=ge2026&date=le2027&code=a%252Cb&x')).toEqual([
      { name: 'date', value: 'ge2026' },
      { name: 'date', value: 'le2027' },
      { name: 'code', value: 'a%2Cb' },
      { name: 'x', value: '' },
    ]);
  });

  test.each(['a=%ZZ', '%=1', 'a=%ff', 'a=%c0%af'])('%s is refused', (raw) => {
    expect(codeOf(() => parseQuery(raw))).toBe('ERR_BAD_VALUE');
  });

  test('what is written is read back the same', () => {
    const parameters = [
      { name: 'code', value: 'http://loinc.org|39156-5,a b&c=d%+é' },
      { name: '_sort', value: '-date' },
    ];
    expect(parseQuery(writeQuery(parameters))).toEqual(parameters);
  });
});
