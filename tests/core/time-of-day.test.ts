import { describe, expect, it } from 'vitest';
import { parseDateTime } from '../../src/core/fhir-time.ts';
import { isTimeZone, minuteOfDay, minutesApart } from '../../src/core/time-of-day.ts';

const minute = (text: string, zone: string): number | undefined => minuteOfDay(parseDateTime(text)!, zone);

describe('the time of day on the ward', () => {
  it.each([
    // IANA Time Zone Database: Oslo is one hour ahead of UTC in winter and two in summer, from 29 March to 25 October 2026
    ['2026-03-28T07:00:00Z', 'Europe/Oslo', 8 * 60],
    ['2026-03-29T06:00:00Z', 'Europe/Oslo', 8 * 60],
    ['2026-10-24T06:00:00Z', 'Europe/Oslo', 8 * 60],
    ['2026-10-25T07:00:00Z', 'Europe/Oslo', 8 * 60],
    // America/New_York goes to summer time on 8 March 2026
    ['2026-03-07T13:15:00Z', 'America/New_York', 8 * 60 + 15],
    ['2026-03-08T12:15:00Z', 'America/New_York', 8 * 60 + 15],
    // Kathmandu is 5:45 ahead
    ['2026-03-08T23:30:00Z', 'Asia/Kathmandu', 5 * 60 + 15],
    ['2026-03-08T00:00:00Z', 'UTC', 0],
    ['2026-03-08T08:10:00+01:00', 'as-written', 8 * 60 + 10],
    ['2026-03-08T08:10:00-09:30', 'as-written', 8 * 60 + 10],
  ])('of %s in %s', (text, zone, expected) => {
    expect(minute(text, zone)).toBe(expected);
  });

  it('is not known of a day without a time', () => {
    expect(minute('2026-03-08', 'UTC')).toBeUndefined();
    expect(minute('2026-03-08', 'as-written')).toBeUndefined();
  });

  it.each([
    [8 * 60, 9 * 60, 60],
    [23 * 60 + 50, 10, 20],
    [0, 12 * 60, 720],
    [0, 12 * 60 + 1, 719],
  ])('%i and %i are %i minutes apart, across midnight too', (one, other, apart) => {
    expect(minutesApart(one, other)).toBe(apart);
    expect(minutesApart(other, one)).toBe(apart);
  });

  it('knows time zones by their IANA names', () => {
    expect(['as-written', 'UTC', 'Europe/Oslo'].map(isTimeZone)).toEqual([true, true, true]);
    expect(['', 'Oslo', 'Europe/Nowhere', '+25:00'].map(isTimeZone)).toEqual([false, false, false, false]);
  });
});
