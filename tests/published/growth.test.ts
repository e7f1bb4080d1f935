/** The growth charts against what CDC and WHO publish: their worked examples, and their tables where these are at hand. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it, test } from 'vitest';
import { AGE_BANDS, type AgeBand } from '../../src/core/age-bands.ts';
import { decimal } from '../../src/core/decimal.ts';
import { assessGrowth, plausibleRange, type Assessed } from '../../src/core/growth/assess.ts';
import { scaleOf } from '../../src/core/growth/charts.ts';
import { GROWTH_TABLES, SEXES, TABLE_IDS, type TableId } from '../../src/core/growth/tables.ts';
import {
  cdcExtendedBmiScale,
  cdcModifiedScale,
  cdcScale,
  extendedBmiSigma,
  percentileOf,
  whoRestrictedScale,
  whoScale,
  zOfPercentile,
} from '../../src/core/growth/z-score.ts';
import { loadGrowthTables } from '../../src/growth-tables.ts';
import { CDC_ROWS, tablesOf, WHO_SD_COLUMNS } from './growth-examples.ts';
import { CDC_FOLDER, NO_TABLES, PUBLISHED_TABLES, WHO_FOLDER } from './growth-folders.ts';

/** Invented days: so many completed months and ten days before an invented examination. */
const AT = Date.parse('2026-03-20T08:00:00Z');
const bornMonthsBefore = (months: number) => new Date(Date.UTC(2026, 2 - months, 10)).toISOString().slice(0, 10);

function bmiOf(row: (typeof CDC_ROWS)[keyof typeof CDC_ROWS], bmi: string): Assessed {
  const child = { sex: row.sex, birthDate: bornMonthsBefore(Math.floor(row.at)) };
  const result = assessGrowth(child, { of: 'bmi', value: decimal(bmi) }, AT, tablesOf(row));
  if (result.outcome !== 'assessed') throw new Error(result.reason);
  return result;
}

describe('CDC, Percentile Data Files with LMS Values: a boy of 9 months', () => {
  it('has a 5th percentile (z = -1.645) of 7.90 kg', () => {
    expect(cdcScale(CDC_ROWS.boyWeight9).value(-1.645).toFixed(2)).toBe('7.90');
  });

  it('of 9.7 kg has z 0.207, the 58th percentile', () => {
    const child = { sex: 'male', birthDate: bornMonthsBefore(9) } as const;
    const result = assessGrowth(child, { of: 'weight', value: decimal('9.7') }, AT, tablesOf(CDC_ROWS.boyWeight9));
    if (result.outcome !== 'assessed') throw new Error(result.reason);
    expect([result.z.toFixed(3), result.percentile.toFixed(0)]).toEqual(['0.207', '58']);
  });
});

describe('CDC, Modified z-scores in the CDC growth charts (2016): a boy of 48.5 months with BMI 12', () => {
  it('has -3.85: the median is 15.628 (printed cut to 15.62), the value at -2 is 13.74', () => {
    expect(cdcScale(CDC_ROWS.boyBmi48).value(-2).toFixed(2)).toBe('13.74');
    expect(cdcModifiedScale(CDC_ROWS.boyBmi48).score(12).toFixed(2)).toBe('-3.85');
    const { modifiedZ, implausible, z } = bmiOf(CDC_ROWS.boyBmi48, '12');
    expect([modifiedZ?.toFixed(2), implausible, z.toFixed(2)]).toEqual(['-3.85', undefined, '-4.65']);
  });
});

describe('CDC, Data File for the Extended CDC BMI-for-age Growth Charts (2022)', () => {
  const p95 = (row: (typeof CDC_ROWS)[keyof typeof CDC_ROWS]) => cdcScale(row).value(zOfPercentile(95)).toFixed(4);
  const extended = (row: (typeof CDC_ROWS)[keyof typeof CDC_ROWS]) => cdcExtendedBmiScale(row, row.sex, row.at);

  it('a girl of 114.5 months with 21.2 lies below P95 22.3979: z 1.4215, percentile 92.2', () => {
    const { z, percentile } = bmiOf(CDC_ROWS.girlBmi114, '21.2');
    expect([p95(CDC_ROWS.girlBmi114), z.toFixed(4), percentile.toFixed(1)]).toEqual(['22.3979', '1.4215', '92.2']);
  });

  it('a boy of 50.5 months with 22.6 lies above P95 17.8219: sigma 2.3983, percentile 99.7683, z 2.83', () => {
    const { z, percentile } = bmiOf(CDC_ROWS.boyBmi50, '22.6');
    expect([p95(CDC_ROWS.boyBmi50), extendedBmiSigma('male', 50.5).toFixed(4)]).toEqual(['17.8219', '2.3983']);
    expect([percentile.toFixed(4), z.toFixed(2)]).toEqual(['99.7683', '2.83']);
  });

  it('a girl of 184.5 months with z 1.5 has 27.2', () => {
    expect(extended(CDC_ROWS.girlBmi184).value(1.5).toFixed(1)).toBe('27.2');
  });

  it('a boy of 92.5 months at percentile 98.7 (P95 19.7477, sigma 3.8373, z 2.226) has 24.1', () => {
    const z = zOfPercentile(98.7);
    expect([p95(CDC_ROWS.boyBmi92), extendedBmiSigma('male', 92.5).toFixed(4), z.toFixed(3)]).toEqual(['19.7477', '3.8373', '2.226']);
    expect(extended(CDC_ROWS.boyBmi92).value(z).toFixed(1)).toBe('24.1');
  });
});

describe('CDC, Child and Teen BMI Categories', () => {
  it('a girl of 12 with 26.6 is on the 96th percentile (96.5 on the charts of 2000)', () => {
    const { percentile, bmi } = bmiOf(CDC_ROWS.girlBmi144, '26.6');
    expect(Math.floor(percentile)).toBe(96);
    expect(percentileOf(cdcScale(CDC_ROWS.girlBmi144).score(26.56)).toFixed(1)).toBe('96.5');
    expect(bmi?.categories.find(({ category }) => category === 'Obesity')?.from).toBeCloseTo(25.25564304, 6);
  });

  it('a girl of 15 with 36.4 is on the 99th, with 129 % of the 95th percentile: severe obesity from 120 %', () => {
    const { percentile, bmi } = bmiOf(CDC_ROWS.girlBmi180, '36.4');
    expect([Math.floor(percentile), bmi?.percentOfP95.toFixed(1)]).toEqual([99, '129.4']);
    expect(percentileOf(cdcScale(CDC_ROWS.girlBmi180).score(36.39)).toFixed(2)).toBe('98.94');
    expect(bmi?.categories.at(-1)).toEqual({ category: 'Severe obesity', from: 1.2 * bmi!.p95 });
  });
});

describe('WHO, z-score tables (2006 and 2007): the printed SD columns', () => {
  test.each(WHO_SD_COLUMNS)('of the $title', ({ row, printed }) => {
    const { value, score } = scaleOf(row.table, row, row.sex, row.at);
    for (const [z, sd] of printed) {
      expect(Math.abs(value(z) - sd)).toBeLessThan(0.0008); // L, M and S are printed with four decimals
      expect(score(value(z))).toBeCloseTo(z, 9);
    }
  });
});

describe.skipIf(PUBLISHED_TABLES === undefined)('the published tables', () => {
  const published = PUBLISHED_TABLES ?? NO_TABLES;
  const rowsOf = (id: TableId) => SEXES.flatMap((sex) => published.tables[id]![sex].map((row) => ({ ...row, sex })));

  it('are all fifteen, without a problem', () => {
    expect(Object.keys(published.tables)).toEqual(TABLE_IDS);
  });

  it('load from their folders', () => {
    expect(loadGrowthTables(CDC_FOLDER!).found).toEqual(TABLE_IDS.filter((id) => id.startsWith('cdc')));
    expect(loadGrowthTables(WHO_FOLDER!).found).toEqual(TABLE_IDS.filter((id) => id.startsWith('who')));
  });

  it("of CDC give CDC's own percentile columns back, in every row", () => {
    const [differences, notable] = comparePercentileColumns();
    expect(differences.length).toBe(15_578);
    expect(Math.max(...differences)).toBeLessThan(0.0024);
    // where |L| < 0.01 CDC's columns follow the power, and its program takes the logarithm, as we do
    expect([...new Set(notable)]).toEqual(['statage 1 39.5', 'statage 2 57.5', 'statage 2 102.5', 'wtageinf 2 10.5']);
  });

  /** Differences of all P columns, and the rows in which one exceeds 0.00002: most agree to 0.0000003, those of lenageinf to 0.00002. */
  function comparePercentileColumns(): [differences: number[], notable: string[]] {
    const cells = readdirSync(CDC_FOLDER!).flatMap((name) => {
      const [header = [], ...rows] = readFileSync(join(CDC_FOLDER!, name), 'utf8')
        .trim()
        .split(/\r?\n/)
        .map((line) => line.split(','));
      return rows
        .filter(([sex]) => sex !== header[0])
        .flatMap((row) => {
          const [l, m, s] = row.slice(2, 5).map(Number) as [number, number, number];
          return header.flatMap((column, index) => {
            const percentile = /^P(\d+)$/.exec(column)?.[1];
            if (percentile === undefined) return [];
            const difference = Math.abs(cdcScale({ l, m, s }).value(zOfPercentile(Number(percentile))) - Number(row[index]));
            return [{ row: `${name.replace('.csv', '')} ${row[0]} ${row[1]}`, difference }];
          });
        });
    });
    return [cells.map(({ difference }) => difference), cells.filter(({ difference }) => difference > 2e-5).map(({ row }) => row)];
  }

  it('of WHO go on without a step or a gap at 3 SD either way, in every row', () => {
    for (const id of TABLE_IDS.filter((one) => GROWTH_TABLES[one].body === 'who' && GROWTH_TABLES[one].of !== 'height')) {
      for (const row of rowsOf(id)) {
        const [plain, restricted] = [whoScale(row), whoRestrictedScale(row)];
        for (const z of [-3, 3]) {
          const edge = plain.value(z);
          const across = [-1e-9, 1e-9].map((step) => restricted.score(edge * (1 + step)));
          expect(Math.max(...across.map((score) => Math.abs(score - z)))).toBeLessThan(1e-6);
          const step = Math.abs(edge - plain.value((z * 2) / 3));
          expect(Math.abs(restricted.value((z * 4) / 3) - edge)).toBeCloseTo(step, 9);
        }
      }
    }
  });

  it('of WHO change from length to height between day 730 and 731: the median of girls from 86.401 to 85.730 cm', () => {
    const medianOn = (day: number) => published.tables['who-height-for-age-0-5']!.female[day]!.m.toFixed(3);
    expect([medianOn(730), medianOn(731)]).toEqual(['86.401', '85.730']);
  });

  it('of WHO have L = 1 for length and height, as the rule for weight alone supposes', () => {
    const heights = [...rowsOf('who-height-for-age-0-5'), ...rowsOf('who-height-for-age-5-19')];
    expect(heights.filter(({ l }) => l !== 1)).toEqual([]);
  });

  /** First and last day of a child of 1 March 2000; the bands go by completed months from 6 months on. */
  test.each<[AgeBand, number, number]>([
    ['newborn', 0, 27],
    ['young-infant', 28, 182],
    ['older-infant', 184, 364],
    ['toddler', 365, 729],
    ['small-child', 730, 1825],
    ['child', 1826, 3651],
    ['young-teenager', 3652, 5478],
    ['older-teenager', 5479, 7304],
  ])('leave at each age of the band %s a range within its limits, and all together nearly all of it', (band, from, to) => {
    const born = '2000-03-01';
    for (const of of ['weight', 'height', 'bmi'] as const) {
      const limits = AGE_BANDS[band][of];
      if (!('hold' in limits)) continue;
      const ranges = Array.from({ length: to - from + 1 }, (_, index) => Date.parse(born) + (from + index) * 86_400_000).flatMap((day) =>
        SEXES.map((sex) => plausibleRange({ sex, birthDate: born }, { of }, day, published)),
      );
      const [lows, highs] = [
        ranges.map((range) => ('low' in range ? range.low : NaN)),
        ranges.map((range) => ('high' in range ? range.high : NaN)),
      ];
      const [low, high] = limits.hold.map(Number) as [number, number];
      expect(Math.min(...lows) / low).toBeGreaterThan(0.995); // limits are printed with one decimal
      expect(Math.min(...lows) / low).toBeLessThan(1.025);
      expect(Math.max(...highs) / high).toBeGreaterThan(0.98);
      expect(Math.max(...highs) / high).toBeLessThan(1.005);
    }
  });
});
