import { describe, expect, it } from 'vitest';
import { nearestName } from '../../src/core/nearest-name.ts';

const KNOWN = ['metricOnly', 'time.oldestDays', 'precision.kg', 'precision.g', 'precision.lb', 'release.weightKg'];

describe('the nearest name', () => {
  it.each([
    ['a letter left out', 'time.oldestDay', 'time.oldestDays'],
    ['a letter too many', 'metricsOnly', 'metricOnly'],
    ['another letter', 'metrikOnly', 'metricOnly'],
    ['two letters exchanged', 'time.odlestDays', 'time.oldestDays'],
    ['capitals', 'METRICONLY', 'metricOnly'],
    ['three slips in a long name', 'relaese.weigthG', 'release.weightKg'],
    ['the nearer of two', 'precision.gk', 'precision.kg'],
  ])('forgives %s', (_slip, written, meant) => {
    expect(nearestName(written, KNOWN)).toBe(meant);
  });

  it.each([
    ['a name of another kind', 'ward.colour'],
    ['nothing', ''],
    ['two slips in a short name', 'kgs'],
    ['a text of any length', 'time.oldestDays'.repeat(1000)],
  ])('is not guessed for %s', (_what, written) => {
    expect(nearestName(written, KNOWN)).toBeUndefined();
  });

  it('counts an exchange as one slip', () => {
    expect(nearestName('abdc', ['abcd'])).toBe('abcd');
    expect(nearestName('badc', ['abcd'])).toBeUndefined();
  });
});
