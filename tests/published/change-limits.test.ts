/** The limits of gain, computed again from the published weight-for-age tables where they lie beside the project. */
import { readFileSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import type { AgeBand } from '../../src/core/age-bands.ts';
import { CHANGE_LIMITS } from '../../src/core/change-limits.ts';
import { sharedData } from '../shared-data.ts';

interface LmsRow {
  readonly sex: string;
  /** Days (WHO) or months (CDC). */
  readonly age: number;
  readonly lms: readonly [number, number, number];
}

/** WHO: 1 month is 30.4375 days. */
const DAYS_PER_MONTH = 30.4375;
const SEXES = ['1', '2'] as const;
const Z_LINES = Array.from({ length: 61 }, (_, step) => -3 + step / 10);

function readLms(file: string): LmsRow[] {
  const [header = '', ...lines] = readFileSync(file, 'utf8').trim().split(/\r?\n/);
  const names = header.split(',').map((name) => name.toLowerCase());
  const columns = ['l', 'm', 's'].map((name) => names.indexOf(name));
  return lines.map((line) => {
    const cells = line.split(',');
    return { sex: cells[0] ?? '', age: Number(cells[1]), lms: columns.map((column) => Number(cells[column])) as [number, number, number] };
  });
}

/** Cole and Green 1992: M (1 + L S z)^(1/L), and M exp(S z) where L is near 0. */
function weightAt(z: number, [l, m, s]: readonly [number, number, number]): number {
  return Math.abs(l) < 0.01 ? m * Math.exp(s * z) : m * (1 + l * s * z) ** (1 / l);
}

/** Between two rows L, M and S are interpolated; after the last row nobody grows. */
function lmsAt(rows: readonly LmsRow[], age: number): readonly [number, number, number] {
  const after = rows.findIndex((row) => row.age >= age);
  const [high, low] = [rows.at(after), rows[Math.max(after - 1, 0)]] as [LmsRow, LmsRow];
  const share = after <= 0 || high.age === low.age ? 1 : (age - low.age) / (high.age - low.age);
  return low.lms.map((value, index) => value + ((high.lms[index] ?? value) - value) * share) as [number, number, number];
}

/** The largest gain in percent of anybody who starts at one of these ages and keeps to a z line. */
function largestGain(table: readonly LmsRow[], starts: readonly number[], span: number): number {
  const gains = SEXES.flatMap((sex) => {
    const rows = table.filter((row) => row.sex === sex);
    return starts.flatMap((start) => {
      const [from, to] = [lmsAt(rows, start), lmsAt(rows, start + span)];
      return Z_LINES.map((z) => (weightAt(z, to) / weightAt(z, from) - 1) * 100);
    });
  });
  return Math.max(...gains);
}

const range = (from: number, to: number, step: number): number[] =>
  Array.from({ length: Math.floor((to - from) / step) + 1 }, (_, index) => from + index * step);

const who = sharedData('clinical/who/wfa_0-5_lms.csv');
const cdc = sharedData('clinical/cdc2000/wtage.csv');

/** First and last age of a band at which a weight can be the earlier one: days or months. */
const WHO_BANDS: readonly (readonly [AgeBand, from: number, to: number])[] = [
  ['newborn', 0, 27],
  ['young-infant', 28, 183],
  ['older-infant', 181, 365],
  ['toddler', 365, 730],
];
const CDC_BANDS: readonly (readonly [AgeBand, from: number, to: number])[] = [
  ['small-child', 24, 59.9],
  ['child', 60, 119.9],
  ['young-teenager', 120, 179.9],
  ['older-teenager', 180, 239.9],
];

/** Doubled, rounded up, and not below the limit of adults. */
function limitFor(gain: number, adult: string): string {
  return String(Math.max(Math.ceil(2 * gain), Number(adult)));
}

describe('the limits of gain are twice the largest growth along a z line', () => {
  const { within30Days, within365Days } = CHANGE_LIMITS.adult;

  test.skipIf(who === undefined).each(WHO_BANDS)('of WHO 2006 for %s, starting at %d to %d days', (band, from, to) => {
    const [table, starts] = [readLms(who ?? ''), range(from, to, 1)];
    expect([CHANGE_LIMITS[band].within30Days.gainPercent, CHANGE_LIMITS[band].within365Days.gainPercent]).toEqual([
      limitFor(largestGain(table, starts, 30), within30Days.gainPercent),
      limitFor(largestGain(table, starts, 365), within365Days.gainPercent),
    ]);
  });

  test.skipIf(cdc === undefined).each(CDC_BANDS)('of CDC 2000 for %s, starting at %d to %d months', (band, from, to) => {
    const [table, starts] = [readLms(cdc ?? ''), range(from, to, 0.1)];
    expect([CHANGE_LIMITS[band].within30Days.gainPercent, CHANGE_LIMITS[band].within365Days.gainPercent]).toEqual([
      limitFor(largestGain(table, starts, 30 / DAYS_PER_MONTH), within30Days.gainPercent),
      limitFor(largestGain(table, starts, 365 / DAYS_PER_MONTH), within365Days.gainPercent),
    ]);
  });

  test.skipIf(who === undefined)('and leave room for a newborn who first lost 15 % and is back on the line in 30 days', () => {
    const table = readLms(who ?? '');
    const rises = SEXES.flatMap((sex) => {
      const rows = table.filter((row) => row.sex === sex);
      return Z_LINES.map((z) => (weightAt(z, lmsAt(rows, 34)) / (0.85 * weightAt(z, lmsAt(rows, 0))) - 1) * 100);
    });
    expect(Math.round(Math.max(...rises))).toBe(72);
    expect(Number(CHANGE_LIMITS.newborn.within30Days.gainPercent)).toBeGreaterThan(Math.max(...rises));
  });
});

describe('children who follow a printed line', () => {
  test.each([
    ['boys, z -3, from birth to day 274', '2.080', '6.391', 'newborn'],
    ['boys, z +3, from birth to day 274', '5.031', '12.279', 'newborn'],
    ['boys, median, from birth to day 274', '3.346', '8.902', 'newborn'],
  ] as const)('pass with half the limit to spare: %s (WHO Child Growth Standards 2006, SD columns)', (_who, from, to, band) => {
    const gain = (Number(to) / Number(from) - 1) * 100;
    expect(gain).toBeLessThan(Number(CHANGE_LIMITS[band].within365Days.gainPercent) / 2);
  });
});
