import { describe, expect, it } from 'vitest';
import { changeSince, intervalWords, isMoreThanPercent, percentText, perDayText } from '../../../src/core/serial/change.ts';
import { decimal, toText } from '../../../src/core/decimal.ts';
import type { UsableReading } from '../../../src/core/derive/bmi.ts';
import { DAY_MS, HOUR_MS, toInstant } from '../../../src/core/fhir-time.ts';
import { NOW, reading, weight } from '../../measurements.ts';

function weighed(kg: string, agoMs: number): UsableReading {
  return reading(weight(kg, 'kg', { effectiveDateTime: toInstant(Date.parse(NOW) - agoMs) }), `w${agoMs}`) as UsableReading;
}

function figures(kg: string, earlierKg: string, agoMs: number): (string | undefined)[] {
  const change = changeSince(weighed(earlierKg, agoMs), weighed(kg, 0), {});
  return [toText(change.difference), percentText(change), perDayText(change)];
}

describe('a change of weight', () => {
  it.each([
    ['95.0', '100.0', 30 * DAY_MS, ['-5.0', '-5.0', '-0.17']],
    ['100.0', '95.0', 30 * DAY_MS, ['5.0', '+5.3', '+0.17']],
    ['70.0', '70.0', 10 * DAY_MS, ['0.0', '0.0', '0.00']],
    ['79.96', '80.0', DAY_MS, ['-0.04', '-0.1', '-0.04']], // -0.05 % goes away from zero
    ['3.255', '3.5', 2 * DAY_MS, ['-0.245', '-7.0', '-0.12']], // -0.1225 kg a day
    ['72.0', '70.0', 12 * HOUR_MS, ['2.0', '+2.9', '+4.00']],
    ['72.0', '70.0', 12 * HOUR_MS - 1, ['2.0', '+2.9', undefined]],
    ['72.0', '70.0', 0, ['2.0', '+2.9', undefined]],
  ])('to %s kg from %s kg, %i ms earlier, is %j', (kg, earlierKg, agoMs, expected) => {
    expect(figures(kg, earlierKg, agoMs)).toEqual(expected);
  });

  it('is more than a percentage only when it is more, in exact numbers and either way', () => {
    const loss = (kg: string): boolean => isMoreThanPercent(decimal(kg), decimal('70.3'), '10');
    expect(['7.03', '-7.03', '7.04', '-7.04'].map(loss)).toEqual([false, false, true, true]);
  });
});

describe('an interval in words', () => {
  it.each([
    [0, '0 minutes'],
    [59_000, '1 minute'],
    [-20 * 60_000, '20 minutes'],
    [119 * 60_000, '119 minutes'],
    [2 * HOUR_MS, '2 hours'],
    [47 * HOUR_MS, '47 hours'],
    [2 * DAY_MS, '2 days'],
    [365 * DAY_MS, '365 days'],
  ])('%i ms is %s', (ms, words) => {
    expect(intervalWords(ms)).toBe(words);
  });
});
