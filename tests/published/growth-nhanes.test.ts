/**
 * Measured children of 2 to 19 years against CDC's charts (NHANES 2017-2018, the half with odd
 * numbers). Statistical use only.
 *
 * Of all 2,813 children in the whole file, 3 carry a flag of CDC (own computation, ages as completed
 * months and a half); none of them is in this half. Counts and extremes here were computed a
 * second time by other means.
 */
import { readFileSync } from 'node:fs';
import { describe, expect, it, test } from 'vitest';
import { decimal } from '../../src/core/decimal.ts';
import { assessGrowth, type Assessed } from '../../src/core/growth/assess.ts';
import { sharedData } from '../shared-data.ts';
import { NO_TABLES, PUBLISHED_TABLES } from './growth-folders.ts';
import { EXAMINED, readPeople, type Person } from './nhanes.ts';

const FILE = sharedData('clinical/nhanes_2017_2018_body_measures_half.csv');
const EXAMINED_MS = Date.parse(`${EXAMINED}T08:00:00Z`);
const KILOGRAMS_A_POUND = 0.45359237;

/** The survey gives no months to those who were 19 when asked and 20 when measured. */
function idsWithMonths(file: string): ReadonlySet<string> {
  const [header = '', ...lines] = readFileSync(file, 'utf8').trim().split(/\r?\n/);
  const column = header.split(',').indexOf('RIDEXAGM');
  return new Set(lines.map((line) => line.split(',')).flatMap((cells) => (cells[column] === '' ? [] : [cells[0]!])));
}

function assess(person: Person, of: 'weight' | 'height' | 'bmi', value: string): Assessed {
  const child = { sex: person.gender, birthDate: person.birthDate };
  const result = assessGrowth(child, { of, value: decimal(value) }, EXAMINED_MS, PUBLISHED_TABLES ?? NO_TABLES);
  if (result.outcome !== 'assessed') throw new Error(`${person.id}: ${result.reason}`);
  expect(result.age.months).toBe(person.months);
  return result;
}

describe.skipIf(FILE === undefined || PUBLISHED_TABLES === undefined)('measured children of 2 to 19 years', () => {
  const known = FILE === undefined ? new Set<string>() : idsWithMonths(FILE);
  const people = FILE === undefined ? [] : readPeople(FILE);
  const children = people.filter(({ id, months }) => known.has(id) && months >= 24 && months < 240);

  test.each([
    ['weight', 1455, '-2.774', '7.472'],
    ['height', 1442, '-3.626', '3.445'],
    ['bmi', 1442, '-2.951', '6.274'],
  ] as const)('%s: none of %d is called implausible, and modified z-scores run from %s to %s', (of, count, lowest, highest) => {
    const all = children.filter((child) => child[of] !== '').map((child) => assess(child, of, child[of]));
    const modified = all.map(({ modifiedZ }) => modifiedZ ?? NaN);
    expect([all.length, all.filter(({ implausible }) => implausible).length]).toEqual([count, 0]);
    expect([Math.min(...modified).toFixed(3), Math.max(...modified).toFixed(3)]).toEqual([lowest, highest]);
  });

  test.each([
    ['pounds typed as kilograms', 1 / KILOGRAMS_A_POUND, '0.425'],
    ['kilograms typed as pounds', KILOGRAMS_A_POUND, '0.826'],
  ])('%s (by a factor of %d): the cut-offs of weight and BMI alone catch a share of %s', (_what, factor, share) => {
    const complete = children.filter(({ weight, height }) => weight !== '' && height !== '');
    const caught = complete.filter((child) => {
      const kg = Number(child.weight) * factor;
      const bmi = kg / (Number(child.height) / 100) ** 2;
      return assess(child, 'weight', kg.toFixed(6)).implausible ?? assess(child, 'bmi', bmi.toFixed(6)).implausible;
    });
    expect((caught.length / complete.length).toFixed(3)).toBe(share);
  });

  it('more than half lie above the median BMI of the year 2000, and about half above its height', () => {
    const complete = children.filter(({ weight, height }) => weight !== '' && height !== '');
    const above = (of: 'height' | 'bmi') =>
      complete.filter((child) => assess(child, of, child[of]).percentile > 50).length / complete.length;
    expect(above('bmi')).toBeGreaterThan(0.6);
    expect(above('height')).toBeGreaterThan(0.45);
    expect(above('height')).toBeLessThan(0.6);
  });
});
