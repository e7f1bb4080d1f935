/** Results: their tables, and the one that is committed. */
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { ERROR_KINDS } from './errors.ts';
import {
  alarmShare,
  cohortsOf,
  healthyAlarmShare,
  COMMITTED_RESULT,
  committedResult,
  meetsTarget,
  resultOf,
  resultText,
  SIZES,
  type JudgementResult,
} from './result.ts';
import { GROUPS } from './series.ts';
import { alarmLines, caughtLines, errorLines, markdownTables, pooledLines, terminalTables } from './table.ts';
import { emptyAlarmTally, emptyErrorTally, type AlarmTally } from './tally.ts';

const ABOUT = { service: '0.0.0', policy: 'built-in', seed: 1, size: 'quick' } as const;

function alarms(changes: Partial<AlarmTally>): AlarmTally {
  return { ...emptyAlarmTally(), people: 2, measurements: 2000, ...changes };
}

function result(healthy: Partial<AlarmTally> = {}, extremes: Partial<AlarmTally> = {}): JudgementResult {
  const tried = { ...emptyErrorTally(), tried: 4, held: 3, missed: 1, missedFar: 1, named: 2, rules: { b: 1, a: 3 } };
  return resultOf(ABOUT, [
    { group: 'healthy-adults', tally: { alarms: alarms(healthy), errors: { 'other-person': tried } }, alarms: [], sent: 1 },
    { group: 'healthy-extremes', tally: { alarms: alarms(extremes), errors: {} }, alarms: [], sent: 1 },
    { group: 'infants', tally: { alarms: alarms({}), errors: { 'other-person': tried } }, alarms: [], sent: 1 },
  ]);
}

describe('the target', () => {
  it.each([
    ['two alarms in 2,000', { firstAlarms: 2 }, {}, true],
    ['three, two of which follow on', { firstAlarms: 1, followOn: 2 }, {}, false],
    ['a twentieth of the extremes, who are a fiftieth', {}, { firstAlarms: 100 }, true],
    ['a few more of them', {}, { firstAlarms: 20, followOn: 81 }, false],
  ])('is at most 1 in 1,000 of all healthy adults, first alarms and those that follow: %s', (_, healthy, extremes, met) => {
    expect(meetsTarget(result(healthy, extremes))).toBe(met);
  });

  it('weighs the extremes with their share of people', () => {
    const overPeople = { alarmsSquared: 4e6, alarmsTimesMeasurements: 0, measurementsSquared: 0 };
    const { share, error } = healthyAlarmShare(result({ firstAlarms: 20 }, { firstAlarms: 1000, overPeople })) ?? { share: 0, error: 0 };
    expect(share).toBeCloseTo(0.98 * 0.01 + 0.02 * 0.5, 12);
    expect(error).toBeCloseTo(0.02, 12); // the residuals of the extremes are 2,000 in 2,000
  });

  it('is not met where no healthy adults were judged', () => {
    expect(meetsTarget(resultOf(ABOUT, []))).toBe(false);
    expect(alarmShare(alarms({ measurements: 0 }))).toBe(0);
  });
});

describe('the tables', () => {
  it('give alarms a thousand with their interval, and the rules behind them', () => {
    const [healthy] = alarmLines(result({ firstAlarms: 1, followOn: 1, peopleAlarmed: 1, rules: { x: 1, y: 2 } })).rows;
    expect(healthy).toEqual(['healthy adults', '2', '2000', '1', '1', '1.00 [0.27 to 3.64]', '1 [9.5 to 90.5 %]', 'y 2, x 1']);
  });

  it('give each error by group, pooled, and as a share', () => {
    expect(errorLines(result()).rows).toEqual([
      ['other-person', 'healthy adults', '4', '0', '3', '0', '2', '1', '1', '0'],
      ['other-person', 'infants', '4', '0', '3', '0', '2', '1', '1', '0'],
    ]);
    const index = ERROR_KINDS.indexOf('other-person');
    expect(pooledLines(result()).rows[index]?.slice(1)).toEqual(['8', '0', '6', '0', '4', '2', '2', '0']);
    expect(caughtLines(result()).rows[index]?.slice(1)).toEqual(['75 %', '–', '75 %']);
    expect(caughtLines(result()).rows[0]?.slice(1)).toEqual(['–', '–', '–']);
  });

  it('say all or none only where it is so', () => {
    const share = (missed: number): string | undefined => {
      const tally = { ...emptyErrorTally(), tried: 1000, held: 1000 - missed, missed };
      const { rows } = caughtLines(
        resultOf(ABOUT, [
          { group: 'infants', tally: { alarms: alarms({}), errors: { 'pounds-as-kilograms': tally } }, alarms: [], sent: 1 },
        ]),
      );
      return rows[0]?.[1];
    };
    expect([0, 1, 500, 999, 1000].map(share)).toEqual(['100 %', 'over 99 %', '50 %', 'under 1 %', '0 %']);
  });

  it('are well-formed Markdown', () => {
    const tables = markdownTables(result()).split('\n\n').slice(1);
    expect(tables).toHaveLength(3);
    for (const table of tables) expect(new Set(table.split('\n').map((line) => line.split('|').length)).size).toBe(1);
    expect(terminalTables(result())).toContain('other-person');
  });
});

describe('the wards of a run', () => {
  it.each(['full', 'quick'] as const)('hold everybody once: %s', (size) => {
    for (const group of GROUPS) {
      const numbers = cohortsOf(size, 1).flatMap(({ group: of, from, to }) =>
        of === group ? Array.from({ length: to - from }, (_, index) => from + index) : [],
      );
      expect(numbers).toEqual(Array.from({ length: SIZES[size][group] }, (_, index) => index + 1));
    }
  });
});

describe('the committed result', () => {
  const committed = committedResult();

  it('is of the full size, of every group and every error, and written as the program writes it', () => {
    expect(committed.size).toBe('full');
    expect(Object.keys(committed.groups)).toEqual([...GROUPS]);
    const tried = new Set(Object.values(committed.groups).flatMap(({ errors }) => Object.keys(errors)));
    expect([...tried].sort()).toEqual([...ERROR_KINDS].sort());
    expect(readFileSync(COMMITTED_RESULT, 'utf8')).toBe(resultText(committed));
  });

  it('adds up', () => {
    for (const { alarms: of, errors, examples } of Object.values(committed.groups)) {
      expect(of.measurements).toBeGreaterThan(500);
      expect(examples.length).toBeLessThanOrEqual(of.firstAlarms + of.followOn);
      for (const { tried, refused, held, noted, missed, missedFar, named } of Object.values(errors)) {
        expect(refused + held + noted + missed).toBe(tried);
        expect(missedFar).toBeLessThanOrEqual(missed);
        expect(named).toBeLessThanOrEqual(tried);
      }
    }
  });
});
