import { describe, expect, test } from 'vitest';
import { paceIn, rateIn, scheduleOf } from '../../../src/cli/replay/pace.ts';

describe('the pace of a replay', () => {
  test.each([
    ['1', 1],
    ['10x', 10],
    ['0.5x', 0.5],
    ['max', 'max'],
  ])('%s', (text, pace) => {
    expect(paceIn(text)).toBe(pace);
  });

  test.each([
    ['20/s', 20],
    ['20', 20],
    ['90/min', 1.5],
  ])('a rate of %s', (text, rate) => {
    expect(rateIn(text)).toBe(rate);
  });

  test.each(['0', '0x', '-1', 'fast', '1e3', '', '10 x'])('%j is none', (text) => {
    expect(() => paceIn(text)).toThrow('factor above 0');
    expect(() => rateIn(text)).toThrow('lines a second or minute');
  });

  test('is that of the recording times a factor; a rate goes by lines; max waits for nothing', () => {
    const at = (ms: number) => scheduleOf({ pace: 10 }, 1_000).dueMs(3, ms);
    expect([at(1_000), at(61_000), at(0)]).toEqual([0, 6_000, -100]);
    expect(scheduleOf({ pace: 10 }, 1_000).dueMs(3, undefined)).toBe(0);
    expect(scheduleOf({ pace: 10 }, undefined).dueMs(3, 5_000)).toBe(0);
    expect(scheduleOf({ pace: 'max', rate: 4 }, 1_000).dueMs(8, 99_000)).toBe(2_000);
    expect(scheduleOf({ pace: 'max' }, 1_000).dueMs(8, 99_000)).toBe(0);
  });
});
