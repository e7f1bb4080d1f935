import { describe, expect, it } from 'vitest';
import { ageAt, isCalendarDate, parseDateTime, toInstant } from '../../src/core/fhir-time.ts';

const at = (text: string): string | undefined => {
  const effective = parseDateTime(text);
  return effective && toInstant(effective.startMs);
};

describe('a dateTime', () => {
  it.each([
    ['2026-03-02T08:00:00Z', '2026-03-02T08:00:00.000Z'],
    ['2026-03-02T08:00:00+01:00', '2026-03-02T07:00:00.000Z'],
    ['2026-03-02T00:30:00+14:00', '2026-03-01T10:30:00.000Z'],
    ['2026-03-02T20:00:00-09:30', '2026-03-03T05:30:00.000Z'],
    ['2026-03-02T08:00:00.5Z', '2026-03-02T08:00:00.500Z'],
    ['2026-03-02T08:00:00.123456789123Z', '2026-03-02T08:00:00.123Z'],
    ['2016-12-31T23:59:60Z', '2016-12-31T23:59:59.999Z'],
    ['2024-02-29T00:00:00Z', '2024-02-29T00:00:00.000Z'],
    ['0099-01-01T00:00:00Z', '0099-01-01T00:00:00.000Z'],
  ])('%s is the instant %s', (text, instant) => {
    expect(at(text)).toBe(instant);
    expect(parseDateTime(text)).toMatchObject({ text, precision: 'time' });
  });

  it('without a time spans its whole day', () => {
    expect(parseDateTime('2026-03-02')).toEqual({
      text: '2026-03-02',
      startMs: Date.parse('2026-03-02T00:00:00.000Z'),
      endMs: Date.parse('2026-03-02T23:59:59.999Z'),
      precision: 'day',
    });
  });

  it.each([
    '2026',
    '2026-03',
    '2026-02-29',
    '2026-02-30T08:00:00Z',
    '2026-13-01',
    '2026-00-01',
    '0000-01-01',
    '2026-03-02T08:00:00',
    '2026-03-02T08:00Z',
    '2026-03-02T24:00:00Z',
    '2026-03-02T08:60:00Z',
    '2026-03-02T08:00:61Z',
    '2026-03-02T08:00:00+14:01',
    '2026-03-02T08:00:00+15:00',
    '2026-03-02T08:00:00+01:60',
    '2026-03-02 08:00:00Z',
    '2026-03-02T08:00:00.Z',
    '02.03.2026',
    '',
  ])('%j is not precise to the day, has no offset or is not in the calendar', (text) => {
    expect(parseDateTime(text)).toBeUndefined();
  });

  it('knows which days a month has', () => {
    expect(['2000-02-29', '1900-02-29', '2026-04-31', '2026-04-30', '2026-04', '2026', '2026-04-30x'].map(isCalendarDate)).toEqual([
      true,
      false,
      false,
      true,
      true,
      true,
      false,
    ]);
  });
});

describe('an age', () => {
  const age = (birthDate: string, text: string) => ageAt(birthDate, Date.parse(text));

  it('counts completed days and months', () => {
    expect(age('2026-03-01', '2026-03-01T00:00:00Z')).toEqual({ youngestDays: 0, oldestDays: 0, youngestMonths: 0, oldestMonths: 0 });
    expect(age('2024-03-02', '2026-03-01T23:59:59Z')).toMatchObject({ youngestMonths: 23, oldestMonths: 23 });
    expect(age('2024-03-02', '2026-03-02T00:00:00Z')).toMatchObject({ youngestMonths: 24, oldestMonths: 24 });
    expect(age('2026-01-31', '2026-02-28T12:00:00Z')).toMatchObject({ oldestDays: 28, oldestMonths: 0 });
    expect(age('2026-01-31', '2026-03-01T12:00:00Z')).toMatchObject({ oldestMonths: 1 });
  });

  it('of somebody born on a leap day completes its years on 1 March of other years', () => {
    expect(age('2024-02-29', '2026-02-28T23:00:00Z')).toMatchObject({ oldestMonths: 23 });
    expect(age('2024-02-29', '2026-03-01T00:00:00Z')).toMatchObject({ oldestMonths: 24 });
  });

  it('spans what a year or a month of birth leaves open', () => {
    expect(age('2024', '2026-03-02T00:00:00Z')).toMatchObject({ youngestMonths: 14, oldestMonths: 26 });
    expect(age('2024-02', '2026-03-02T00:00:00Z')).toMatchObject({ youngestMonths: 24, oldestMonths: 25 });
  });

  it('is negative before birth, and nothing without a calendar date', () => {
    expect(age('2026-03-03', '2026-03-02T12:00:00Z')).toMatchObject({ oldestDays: -1 });
    expect(['2026-02-30', '2026-3-2', 'unknown', '2026-03-02T00:00:00Z'].map((text) => age(text, '2026-03-02T00:00:00Z'))).toEqual([
      undefined,
      undefined,
      undefined,
      undefined,
    ]);
  });
});
