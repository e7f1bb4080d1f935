import { describe, expect, it } from 'vitest';
import { backoffMs, retryAfterMs } from '../../src/forward/retry-after.ts';

const NOW = Date.parse('2026-03-02T12:00:00Z');

describe('Retry-After', () => {
  it.each([
    ['0', 0],
    ['120', 120_000],
    [' 5 ', 5_000],
    ['Mon, 02 Mar 2026 12:01:30 GMT', 90_000],
    ['Mon, 02 Mar 2026 11:00:00 GMT', 0],
    ['7200', 3_600_000],
    ['99999999999999999999', 3_600_000],
    ['Sun, 02 Mar 2036 12:00:00 GMT', 3_600_000],
  ])('of %s waits %i ms', (header, waitMs) => {
    expect(retryAfterMs(header, NOW)).toBe(waitMs);
  });

  it.each([
    undefined,
    '',
    'soon',
    '10 years',
    '-5',
    '1.5',
    '2026-03-02T12:01:30Z',
    'Mon, 31 Foo 2026 12:00:00 GMT',
    'Mon, 02 Mar 2026 99:00:00 GMT',
  ])('of %s is ignored', (header) => {
    expect(retryAfterMs(header, NOW)).toBeUndefined();
  });
});

describe('backoff', () => {
  it('is spread from nothing to a bound that doubles from one second up to five minutes', () => {
    const longest = [0, 1, 2, 3, 8, 9, 40, 5_000].map((failures) => backoffMs(failures, () => 0.999_999_999));
    expect(longest).toEqual([999, 1_999, 3_999, 7_999, 255_999, 299_999, 299_999, 299_999]);
    expect(backoffMs(12, () => 0)).toBe(0);
    expect(backoffMs(3, () => 0.5)).toBe(4_000);
  });
});
