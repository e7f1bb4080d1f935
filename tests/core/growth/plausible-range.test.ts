/** The values that the published cut-offs leave, on invented tables: the median is 1000 plus the place, S is 0.1. */
import fc from 'fast-check';
import { describe, expect, it, test } from 'vitest';
import { decimal } from '../../../src/core/decimal.ts';
import { assessGrowth, plausibleRange, rangeTexts, type Child, type Question } from '../../../src/core/growth/assess.ts';
import { ALMOST_TWO, AT, BOTH, boy, CDC_ONLY, TEN, TWO, WHO_ONLY } from './invented-children.ts';

describe('the plausible range', () => {
  test.each<[string, Child, Question, number, number]>([
    ['weight under two years', ALMOST_TWO, { of: 'weight' }, 1728 * 0.4, 1728 * 1.5],
    ['weight at two', TWO, { of: 'weight' }, 1024.5 * 0.5, 1024.5 * 1.8],
    ['height at two', TWO, { of: 'height', position: 'standing' }, 1024.5 * 0.5, 1024.5 * 1.4],
    ['height at two, measured lying', TWO, { of: 'height', position: 'lying' }, 1024.5 * 0.5 + 0.7, 1024.5 * 1.4 + 0.7],
    ['length under two years, measured standing', ALMOST_TWO, { of: 'height', position: 'standing' }, 1728 * 0.4 - 0.7, 1728 * 1.6 - 0.7],
    ['BMI at ten', TEN, { of: 'bmi' }, 1120.5 * 0.6, 1120.5 * 1.8],
  ])('of %s is what the cut-offs leave', (_which, child, question, low, high) => {
    const result = plausibleRange(child, question, AT, BOTH);
    if (result.outcome !== 'range') throw new Error(result.reason);
    expect([result.low, result.high].map((value) => value.toFixed(8))).toEqual([low, high].map((value) => value.toFixed(8)));
  });

  it('is not there where nothing can be assessed', () => {
    expect(plausibleRange(boy('2024'), { of: 'weight' }, AT, BOTH)).toEqual({ outcome: 'not-assessed', reason: 'age-unknown' });
  });

  it('names the same values as the assessment, for every child and measure', () => {
    const days = fc.integer({ min: 0, max: 7304 });
    const sex = fc.constantFrom('male' as const, 'female' as const);
    const question = fc.constantFrom<Question>(
      { of: 'weight' },
      { of: 'bmi' },
      { of: 'height' },
      { of: 'height', position: 'lying' },
      { of: 'height', position: 'standing' },
      { of: 'weight-for-height', cm: decimal('85.3'), position: 'lying' },
    );
    fc.assert(
      fc.property(days, sex, question, fc.constantFrom('both', 'who', 'cdc'), (age, ofSex, asked, supplied) => {
        const tables = supplied === 'both' ? BOTH : supplied === 'who' ? WHO_ONLY : CDC_ONLY;
        const child = { sex: ofSex, birthDate: new Date(AT - age * 86_400_000).toISOString().slice(0, 10) };
        const found = plausibleRange(child, asked, AT, tables);
        const side = (value: number) => {
          const result = assessGrowth(child, { ...asked, value: decimal(value.toFixed(6)) }, AT, tables);
          return result.outcome === 'assessed' ? (result.implausible ?? 'inside') : result.reason;
        };
        if (found.outcome !== 'range') {
          expect(side(1000)).toBe(found.reason);
        } else {
          const values = [found.low - 0.001, found.low + 0.001, found.high - 0.001, found.high + 0.001];
          expect(values.map(side)).toEqual(['low', 'inside', 'inside', 'high']);
        }
      }),
      { numRuns: 500 },
    );
  });

  test.each([
    [{ low: 0.9173, high: 7.8761 }, 1, ['1.0', '7.8']],
    [{ low: 0.9173, high: 7.8761 }, 2, ['0.92', '7.87']],
    [{ low: 2.1, high: 6.3 }, 1, ['2.1', '6.3']],
    [{ low: 37.97, high: 65.9 }, 0, ['38', '65']],
  ])('%o reads, with %d decimals, as a range in which everything is plausible', (ends, decimals, texts) => {
    expect(rangeTexts(ends, decimals)).toEqual(texts);
  });
});
