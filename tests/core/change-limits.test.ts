import { describe, expect, it } from 'vitest';
import { AGE_BANDS, type AgeBand } from '../../src/core/age-bands.ts';
import { CHANGE_LIMITS, LARGEST_CHANGE_IN_A_YEAR, LARGEST_NEWBORN_LOSS } from '../../src/core/change-limits.ts';
import { compare, decimal } from '../../src/core/decimal.ts';
import { CHANGE_THRESHOLDS } from '../../src/core/derive/change-thresholds.ts';

const bands = Object.keys(AGE_BANDS) as AgeBand[];
const atLeast = (a: string, b: string): boolean => compare(decimal(a), decimal(b)) >= 0;

describe('limits of change', () => {
  it.each(bands)('of %s are decimals, wider over a year, and no tighter than those of adults', (band) => {
    const { within30Days, within365Days, source } = CHANGE_LIMITS[band];
    for (const side of ['gainPercent', 'lossPercent'] as const) {
      expect(atLeast(within365Days[side], within30Days[side])).toBe(true);
      expect(atLeast(within30Days[side], CHANGE_LIMITS.adult.within30Days[side])).toBe(true);
      expect(atLeast(within365Days[side], CHANGE_LIMITS.adult.within365Days[side])).toBe(true);
    }
    expect(source).toMatch(/WHO|CDC|NHANES/);
  });

  it('of adults, and where the age is not known, are 10 and 20 % either way', () => {
    const either = (percent: string) => ({ gainPercent: percent, lossPercent: percent });
    for (const band of ['adult', 'age-unknown'] as const)
      expect(CHANGE_LIMITS[band]).toMatchObject({ within30Days: either('10'), within365Days: either('20') });
  });

  it('let nobody lose more than a fifth of a weight', () => {
    expect(bands.every((band) => compare(decimal(CHANGE_LIMITS[band].within365Days.lossPercent), decimal('20')) === 0)).toBe(true);
  });

  it('are no tighter for a newborn than the loss from birth weight, which is above what is only told', () => {
    expect(CHANGE_LIMITS.newborn.within30Days.lossPercent).toBe(LARGEST_NEWBORN_LOSS.percentOfBirthWeight);
    const told = CHANGE_THRESHOLDS.flatMap(({ family, amount }) => (family === 'newborn' && 'percent' in amount ? [amount.percent] : []));
    expect(told).toEqual(['7', '10']);
    expect(told.every((percent) => !atLeast(percent, LARGEST_NEWBORN_LOSS.percentOfBirthWeight))).toBe(true);
  });

  it('catch a newborn whose pounds were charted as kilograms within the month', () => {
    // 1 / 0.45359237 is 2.2046: a rise of 120.46 %
    expect(atLeast(CHANGE_LIMITS.newborn.within30Days.gainPercent, '120.4')).toBe(false);
  });

  it('know the largest change in a year: 100 lb, as the paper has it, to a tenth of a kilogram', () => {
    expect(LARGEST_CHANGE_IN_A_YEAR.kg).toBe((100 * 0.45359237).toFixed(1));
  });
});
