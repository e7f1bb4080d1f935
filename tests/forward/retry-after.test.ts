import { describe, expect, it } from 'vitest';
import { backoffMs } from '../../src/forward/retry-after.ts';

describe('backoff', () => {
  it('is spread from nothing to a bound that doubles from one second up to five minutes', () => {
    const longest = [0, 1, 2, 3, 8, 9, 40, 5_000].map((failures) => backoffMs(failures, () => 0.999_999_999));
    expect(longest).toEqual([999, 1_999, 3_999, 7_999, 255_999, 299_999, 299_999, 299_999]);
    expect(backoffMs(12, () => 0)).toBe(0);
    expect(backoffMs(3, () => 0.5)).toBe(4_000);
  });
});
