/** Finding a row, and what lies between two. */
import { describe, expect, it, test } from 'vitest';
import { GROWTH_TABLES, lmsAt, TABLE_IDS } from '../../../src/core/growth/tables.ts';

/** Invented. */
const ROWS = [
  { at: 0, l: 1, m: 10, s: 0.1 },
  { at: 0.5, l: 0, m: 11, s: 0.1 },
  { at: 1.5, l: -1, m: 15, s: 0.3 },
] as const;

describe('L, M and S', () => {
  test.each([
    ['of a row of its own', 0.5, { l: 0, m: 11, s: 0.1 }],
    ['at the beginning', 0, { l: 1, m: 10, s: 0.1 }],
    ['at the end', 1.5, { l: -1, m: 15, s: 0.3 }],
    ['halfway', 1, { l: -0.5, m: 13, s: 0.2 }],
    ['a quarter of the way', 0.75, { l: -0.25, m: 12, s: 0.15 }],
  ])('are those %s', (_where, at, lms) => {
    const { l, m, s } = lmsAt(ROWS, at)!;
    expect([l, m, s].map((value) => value.toFixed(12))).toEqual([lms.l, lms.m, lms.s].map((value) => value.toFixed(12)));
  });

  test.each([-0.001, 1.501, NaN])('do not exist at %d', (at) => {
    expect(lmsAt(ROWS, at)).toBeUndefined();
  });

  it('do not exist without rows', () => {
    expect(lmsAt([], 0)).toBeUndefined();
  });
});

describe('the tables', () => {
  it('are the seven of CDC and the eight of WHO that weigh and measure', () => {
    expect(TABLE_IDS.filter((id) => GROWTH_TABLES[id].body === 'cdc')).toHaveLength(7);
    expect(TABLE_IDS.filter((id) => GROWTH_TABLES[id].body === 'who')).toHaveLength(8);
  });

  it('name their body, what they compare and by what they are listed', () => {
    for (const id of TABLE_IDS) {
      const { body, title, from, to, step } = GROWTH_TABLES[id];
      expect(title.startsWith(body.toUpperCase())).toBe(true);
      expect(id.startsWith(body)).toBe(true);
      expect([from < to, step > 0]).toEqual([true, true]);
    }
  });
});
