import { describe, expect, it } from 'vitest';
import { retryAfterMs } from '../src/retry-after.ts';

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
