/** Which chart applies, and what it says, on invented tables: the median is 1000 plus the place, S is 0.1. */
import { describe, expect, it, test } from 'vitest';
import { decimal } from '../../../src/core/decimal.ts';
import { assessGrowth, roundedText, type Assessed, type Assessment, type Child, type Measure } from '../../../src/core/growth/assess.ts';
import type { GrowthTables, TableId } from '../../../src/core/growth/tables.ts';
import { ALMOST_TWO, AT, BOTH, boy, CDC_ONLY, TEN, TWO, WHO_ONLY } from './invented-children.ts';
import { inventedTables } from './invented-tables.ts';

const weight = (kg: string): Measure => ({ of: 'weight', value: decimal(kg) });
const height = (cm: string, position?: 'standing' | 'lying'): Measure => ({ of: 'height', value: decimal(cm), position });
const bmi = (value: string): Measure => ({ of: 'bmi', value: decimal(value) });

function assessed(child: Child, measure: Measure, tables: GrowthTables = BOTH): Assessed {
  const result = assessGrowth(child, measure, AT, tables);
  if (result.outcome !== 'assessed') throw new Error(`not assessed: ${result.reason}`);
  return result;
}

const reason = (result: Assessment) => (result.outcome === 'not-assessed' ? result.reason : result.outcome);

describe('the chart', () => {
  test.each<[string, Child, Measure, TableId, string]>([
    ['weight on the day of birth', boy('2026-03-02'), weight('1000'), 'who-weight-for-age-0-5', '0'],
    ['weight two days before two years', ALMOST_TWO, weight('1728'), 'who-weight-for-age-0-5', '728'],
    ['length two days before two years', ALMOST_TWO, height('1728', 'lying'), 'who-height-for-age-0-5', '728'],
    ['BMI two days before two years', ALMOST_TWO, bmi('1728'), 'who-bmi-for-age-0-5', '728'],
    ['weight from two years', TWO, weight('1024.5'), 'cdc-weight-for-age', '24.5'],
    ['height from two years', TWO, height('1024.5', 'standing'), 'cdc-stature-for-age', '24.5'],
    ['BMI from two years', TWO, bmi('1024.5'), 'cdc-bmi-for-age', '24.5'],
    ['weight at ten', TEN, weight('1120.5'), 'cdc-weight-for-age', '120.5'],
    ['height on the last day before 20 years', boy('2006-03-03'), height('1239.5', 'standing'), 'cdc-stature-for-age', '239.5'],
    [
      'weight for length under two years',
      ALMOST_TWO,
      { of: 'weight-for-height', cm: decimal('80.4'), position: 'lying', value: decimal('1080.4') },
      'who-weight-for-length',
      '80.4 cm',
    ],
    [
      'weight for height from two years',
      TWO,
      { of: 'weight-for-height', cm: decimal('90.25'), position: 'standing', value: decimal('1090.25') },
      'cdc-weight-for-stature',
      'between 89.5 and 90.5 cm',
    ],
  ])('of %s', (_which, child, measure, table, _place) => {
    const result = assessed(child, measure);
    expect([result.table, result.isSecondChoice]).toEqual([table, undefined]);
    expect(result.z).toBeCloseTo(0, 10);
    expect(result.percentile).toBeCloseTo(50, 9);
    expect(result.tablesVersion).toBe('invented');
  });

  test.each<[string, Child, Measure, GrowthTables, TableId]>([
    ['weight under two years', ALMOST_TWO, weight('1023.5'), CDC_ONLY, 'cdc-weight-for-age-infant'],
    ['length under two years', ALMOST_TWO, height('1023.5', 'lying'), CDC_ONLY, 'cdc-length-for-age-infant'],
    ['weight at two', TWO, weight('1730'), WHO_ONLY, 'who-weight-for-age-0-5'],
    ['weight on the last day by days', boy('2021-01-31'), weight('2856'), WHO_ONLY, 'who-weight-for-age-0-5'],
    ['weight on the first day by months', boy('2021-01-30'), weight('1061'), WHO_ONLY, 'who-weight-for-age-5-10'],
    ['weight at ten', TEN, weight('1119'), WHO_ONLY, 'who-weight-for-age-5-10'],
    ['height at ten', TEN, height('1119', 'standing'), WHO_ONLY, 'who-height-for-age-5-19'],
    ['BMI at ten', TEN, bmi('1119'), WHO_ONLY, 'who-bmi-for-age-5-19'],
  ])('of %s is the second choice where the first was not supplied', (_which, child, measure, tables, table) => {
    const result = assessed(child, measure, tables);
    expect([result.table, result.isSecondChoice]).toEqual([table, true]);
    expect(result.z).toBeCloseTo(0, 10);
  });

  it('is that of the sex', () => {
    expect(assessed({ ...TWO, sex: 'female' }, weight('2024.5')).z).toBeCloseTo(0, 10);
  });

  it('is found table by table, so a lone one serves', () => {
    const lone = inventedTables((id) => id === 'cdc-bmi-for-age' || id === 'who-weight-for-age-0-5');
    expect(assessed(TWO, bmi('1024.5'), lone).table).toBe('cdc-bmi-for-age');
    expect(assessed(TWO, weight('1730'), lone).table).toBe('who-weight-for-age-0-5');
    expect(reason(assessGrowth(TWO, height('1024.5'), AT, lone))).toBe('no-tables');
  });
});

describe('nothing is assessed', () => {
  test.each<[string, Child, Measure, GrowthTables | undefined, string]>([
    ['without tables', TWO, weight('12'), undefined, 'no-tables'],
    ['without a table of its kind', ALMOST_TWO, bmi('16'), CDC_ONLY, 'no-tables'],
    ['when the sex is not known', { birthDate: '2024-03-02' }, weight('12'), BOTH, 'sex-unknown'],
    ['when the sex is recorded as other', { sex: 'other', birthDate: '2024-03-02' }, weight('12'), BOTH, 'sex-unknown'],
    ['when the sex is recorded as unknown', { sex: 'unknown', birthDate: '2024-03-02' }, weight('12'), BOTH, 'sex-unknown'],
    ['when the birth date is not known', { sex: 'male' }, weight('12'), BOTH, 'age-unknown'],
    ['when the birth date is known to the month', boy('2024-03'), weight('12'), BOTH, 'age-unknown'],
    ['when the birth date is after the measurement', boy('2026-03-03'), weight('12'), BOTH, 'age-unknown'],
    ['from the 20th birthday on', boy('2006-03-02'), weight('60'), BOTH, 'outside-table'],
    ['of a weight after 120 months by WHO', boy('2016-01-02'), weight('30'), WHO_ONLY, 'outside-table'],
    ['of a height after 228 months by WHO', boy('2007-01-01'), height('170'), WHO_ONLY, 'outside-table'],
    [
      'for a length shorter than the table',
      ALMOST_TWO,
      { of: 'weight-for-height', cm: decimal('44.9'), value: decimal('3') },
      BOTH,
      'outside-table',
    ],
    ['for a height at school age', TEN, { of: 'weight-for-height', cm: decimal('110'), value: decimal('20') }, BOTH, 'outside-table'],
    ['of nothing', TWO, weight('0'), BOTH, 'outside-table'],
    ['of less than nothing', TWO, weight('-1'), BOTH, 'outside-table'],
  ])('%s', (_when, child, measure, tables, expected) => {
    expect(assessGrowth(child, measure, AT, tables)).toEqual({ outcome: 'not-assessed', reason: expected });
  });
});

describe('the position (WHO 2006: lying is 0.7 cm longer; wording from memory)', () => {
  test.each<[string, Child, 'standing' | 'lying' | undefined, string, Partial<Assessed>]>([
    ['a length under two years', ALMOST_TWO, 'lying', '1728', { chartPosition: 'lying' }],
    ['a height under two years, to which 0.7 is added', ALMOST_TWO, 'standing', '1727.3', { chartPosition: 'lying', adjustedBy: '0.7' }],
    [
      'an unknown position under two years, taken as lying',
      ALMOST_TWO,
      undefined,
      '1728',
      { chartPosition: 'lying', positionAssumed: true },
    ],
    ['a height from two years', TWO, 'standing', '1024.5', { chartPosition: 'standing' }],
    ['a length from two years, of which 0.7 is taken', TWO, 'lying', '1025.2', { chartPosition: 'standing', adjustedBy: '-0.7' }],
    [
      'an unknown position from two years, taken as standing',
      TWO,
      undefined,
      '1024.5',
      { chartPosition: 'standing', positionAssumed: true },
    ],
  ])('is told of %s', (_which, child, position, cm, told) => {
    const { z, chartPosition, adjustedBy, positionAssumed } = assessed(child, height(cm, position));
    expect(z).toBeCloseTo(0, 10);
    expect({ chartPosition, adjustedBy, positionAssumed }).toEqual({ adjustedBy: undefined, positionAssumed: undefined, ...told });
  });

  test.each([
    ['lying on day 730', boy('2024-03-02'), 'lying'],
    ['standing on day 731', boy('2024-03-01'), 'standing'],
  ])("of WHO's own table is %s", (_which, child, position) => {
    expect(assessed(child, height('1730'), WHO_ONLY).chartPosition).toBe(position);
  });

  it('shifts the length that a weight is looked up by', () => {
    const measure: Measure = { of: 'weight-for-height', cm: decimal('79.7'), position: 'standing', value: decimal('1080.4') };
    const result = assessed(ALMOST_TWO, measure);
    expect(result.z).toBeCloseTo(0, 10);
    expect(result.adjustedBy).toBe('0.7');
  });

  it('plays no part in weight and BMI', () => {
    for (const measure of [weight('1000'), bmi('1000')]) {
      const result = assessed(TWO, measure);
      expect([result.chartPosition, result.positionAssumed, result.adjustedBy]).toEqual([undefined, undefined, undefined]);
    }
  });

  it('leaves the input as it was', () => {
    const measure = height('1725.0', 'standing') as Extract<Measure, { of: 'height' }>;
    assessed(ALMOST_TWO, Object.freeze({ ...measure, value: Object.freeze(measure.value) }));
    expect(measure.value).toEqual(decimal('1725.0'));
  });
});

/** Medians here: 1024.5 at two (CDC), 1728 two days earlier (WHO); a tenth of it is 1 SD, also beyond 3 SD since L is 1. */
describe('the published cut-offs', () => {
  test.each<[string, Child, (score: number) => Measure, number, number, 'z' | 'modified-z', GrowthTables]>([
    ['WHO weight -6 to +5', ALMOST_TWO, (z) => weight(String(1728 * (1 + z / 10))), -6, 5, 'z', BOTH],
    ['WHO length -6 to +6', ALMOST_TWO, (z) => height(String(1728 * (1 + z / 10)), 'lying'), -6, 6, 'z', BOTH],
    ['WHO BMI -5 to +5', ALMOST_TWO, (z) => bmi(String(1728 * (1 + z / 10))), -5, 5, 'z', BOTH],
    [
      'WHO weight-for-length -5 to +5',
      ALMOST_TWO,
      (z) => ({ of: 'weight-for-height', cm: decimal('80'), position: 'lying', value: decimal((1080 * (1 + z / 10)).toFixed(6)) }),
      -5,
      5,
      'z',
      BOTH,
    ],
    ['WHO BMI of 5 to 19 years -5 to +5', TEN, (z) => bmi(String(1119 * (1 + z / 10))), -5, 5, 'z', WHO_ONLY],
    ['CDC weight -5 to +8', TWO, (z) => weight(String(1024.5 * (1 + z / 10))), -5, 8, 'modified-z', BOTH],
    ['CDC height -5 to +4', TWO, (z) => height(String(1024.5 * (1 + z / 10)), 'standing'), -5, 4, 'modified-z', BOTH],
    ['CDC BMI -4 to +8', TWO, (z) => bmi(String(1024.5 * (1 + z / 10))), -4, 8, 'modified-z', BOTH],
    [
      'CDC weight-for-stature -4 to +8',
      TWO,
      (z) => ({ of: 'weight-for-height', cm: decimal('90.5'), position: 'standing', value: decimal((1090.5 * (1 + z / 10)).toFixed(6)) }),
      -4,
      8,
      'modified-z',
      BOTH,
    ],
  ])('of %s are still plausible, and beyond them nothing is', (_which, child, measureAt, low, high, of, tables) => {
    const side = (score: number) => assessed(child, measureAt(score), tables).implausible;
    expect([side(low), side(0), side(high)]).toEqual([undefined, undefined, undefined]);
    expect([side(low - 0.001), side(high + 0.001)]).toEqual(['low', 'high']);
    const { cutoffs } = assessed(child, measureAt(0), tables);
    expect([cutoffs.low, cutoffs.high, cutoffs.of]).toEqual([low, high, of]);
    expect(cutoffs.source).toMatch(of === 'z' ? /^WHO/ : /^CDC/);
  });

  it('give the modified z-score with CDC charts only', () => {
    expect(assessed(TWO, weight('1229.4')).modifiedZ).toBeCloseTo(2, 10);
    expect(assessed(ALMOST_TWO, weight('1800')).modifiedZ).toBeUndefined();
  });
});

describe('the figures of CDC for BMI', () => {
  /** Median 1024.5, L 1, S 0.1: 5th percentile at -1.645 SD and so on. */
  const m = 1024.5;

  it('are where the published categories begin at this age and sex', () => {
    const { p95, percentOfP95, categories } = assessed(TWO, bmi('1193.012')).bmi!;
    expect(p95).toBeCloseTo(m * 1.16448536269514722, 8);
    expect(percentOfP95).toBeCloseTo(100, 3);
    expect(categories.map(({ category }) => category)).toEqual([
      'Underweight',
      'Healthy weight',
      'Overweight',
      'Obesity',
      'Severe obesity',
    ]);
    expect(categories[0]!.below).toBeCloseTo(m * (1 - 0.164485362695), 8);
    expect(categories[2]!.from).toBeCloseTo(m * 1.1036433389494, 6);
    expect(categories.slice(1).map(({ from }) => from)).toEqual(categories.slice(0, -1).map(({ below }) => below));
  });

  it('are given with CDC charts only', () => {
    expect(assessed(ALMOST_TWO, bmi('1728')).bmi).toBeUndefined();
    expect(assessed(TEN, bmi('1119'), WHO_ONLY).bmi).toBeUndefined();
    expect(assessed(TEN, weight('1119')).bmi).toBeUndefined();
  });
});

describe('a rounded text', () => {
  test.each([
    [1.4215, 2, '1.42'],
    [-0.004, 2, '0.00'],
    [-2.5, 0, '-3'],
    [2.5, 0, '3'],
    [99.96, 1, '100.0'],
    [7, 2, '7.00'],
  ])('of %d with %d decimals is %s', (value, decimals, text) => {
    expect(roundedText(value, decimals)).toBe(text);
  });
});
