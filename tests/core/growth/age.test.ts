/** Ages by which charts are entered. */
import { describe, expect, it, test } from 'vitest';
import { cdcMonths, exactAgeAt, whoMonths } from '../../../src/core/growth/age.ts';

const at = (text: string) => Date.parse(text);

describe('an exact age', () => {
  test.each([
    ['on the day of birth', '2026-03-02', '2026-03-02T00:00:00Z', { days: 0, months: 0 }],
    ['in the last moment of that day', '2026-03-02', '2026-03-02T23:59:59.999Z', { days: 0, months: 0 }],
    ['on the day before a month is completed', '2026-03-02', '2026-04-01T12:00:00Z', { days: 30, months: 0 }],
    ['on the day a month is completed', '2026-03-02', '2026-04-02T00:00:00Z', { days: 31, months: 1 }],
    ['over a leap day', '2024-02-28', '2024-03-01T08:00:00Z', { days: 2, months: 0 }],
    ['on a second birthday', '2023-05-10', '2025-05-10T08:00:00Z', { days: 731, months: 24 }],
    ['on a second birthday without a leap day between', '2024-03-10', '2026-03-10T08:00:00Z', { days: 730, months: 24 }],
    ['of a child of 29 February, a year later', '2024-02-29', '2025-02-28T08:00:00Z', { days: 365, months: 11 }],
    ['on the day before the 20th birthday', '2006-03-02', '2026-03-01T08:00:00Z', { days: 7304, months: 239 }],
    ['by the UTC calendar, whatever the offset', '2026-03-02', '2026-03-03T01:00:00+02:00', { days: 0, months: 0 }],
  ])('is counted %s', (_when, birthDate, instant, age) => {
    expect(exactAgeAt(birthDate, at(instant))).toEqual(age);
  });

  test.each([
    ['without a birth date', undefined],
    ['with a birth year only', '2024'],
    ['with a birth month only', '2024-03'],
    ['with a day that is not in the calendar', '2025-02-30'],
    ['with something that is no date', '2025-02-1x'],
    ['with a birth after the measurement', '2026-03-03'],
  ])('is not known %s', (_when, birthDate) => {
    expect(exactAgeAt(birthDate, at('2026-03-02T12:00:00Z'))).toBeUndefined();
  });

  it('is not known at no instant', () => {
    expect(exactAgeAt('2024-03-02', NaN)).toBeUndefined();
  });
});

describe('the months of CDC (Percentile Data Files with LMS Values)', () => {
  test.each([
    [{ days: 0, months: 0 }, 0],
    [{ days: 1, months: 0 }, 0.5],
    [{ days: 1461, months: 48 }, 48.5],
    [{ days: 1490, months: 48 }, 48.5],
    [{ days: 1491, months: 49 }, 49.5],
  ])('of %o are %d', (age, months) => {
    expect(cdcMonths(age)).toBe(months);
  });
});

describe('the completed months of WHO (a month is 30.4375 days)', () => {
  test.each([
    [1856, 60],
    [1857, 61],
    [3652, 119],
    [3653, 120],
    [6939, 227],
    [6940, 228],
  ])('at %d days are %d', (days, months) => {
    expect(whoMonths({ days, months: 0 })).toBe(months);
  });

  it('leave no day between the tables by day, which end at 1856, and those by month, which begin at 61', () => {
    expect(whoMonths({ days: 1856 + 1, months: 60 })).toBe(61);
  });
});
