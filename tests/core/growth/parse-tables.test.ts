/** Table files as CDC and WHO publish them, whole and damaged. All numbers invented. */
import { describe, expect, it, test } from 'vitest';
import { parseTables } from '../../../src/core/growth/parse-tables.ts';
import { TABLE_IDS } from '../../../src/core/growth/tables.ts';
import { inventedFile, inventedFiles } from './invented-tables.ts';

const BOYS_AND_GIRLS = ['boys', 'girls'] as const;

/** The layout in which WHO publishes its daily tables, one file a sex (from memory). */
function expanded(stem: string, axis: string, reduced: string) {
  const lines = inventedFile(reduced).text.trim().split('\n').slice(1);
  return BOYS_AND_GIRLS.map((sex, index) => {
    const rows = lines.filter((line) => line.startsWith(`${index + 1},`)).map((line) => `${line.slice(2).replaceAll(',', '\t')}\t1.5\t2.5`);
    return { name: `${stem}_${sex}_z_exp.txt`, text: [`${axis}\tL\tM\tS\tSD4neg\tSD3neg`, ...rows].join('\r\n') };
  });
}

/** One file, with one thing done to its text. */
function damaged(name: string, damage: (text: string) => string) {
  const file = inventedFile(name);
  const text = damage(file.text);
  expect(text).not.toBe(file.text);
  return parseTables([{ name, text }]).problems;
}

const lines = (damage: (rows: string[]) => string[]) => (text: string) => damage(text.split('\n')).join('\n');

describe('table files', () => {
  it('are all recognised, and read without a problem', () => {
    const { tables, problems } = parseTables(inventedFiles());
    expect(problems).toEqual([]);
    expect(Object.keys(tables)).toEqual(TABLE_IDS);
  });

  it('give the numbers that stand in them', () => {
    const { tables } = parseTables([inventedFile('wtage.csv')]);
    expect(tables['cdc-weight-for-age']?.male.slice(0, 2)).toEqual([
      { at: 24, l: 1, m: 1024, s: 0.1 },
      { at: 24.5, l: 1, m: 1024.5, s: 0.1 },
    ]);
    expect(tables['cdc-weight-for-age']?.female.at(-1)).toEqual({ at: 240, l: 1, m: 2240, s: 0.1 });
  });

  test.each([
    ['with a byte order mark and CRLF', (text: string) => `\uFEFF${text.replaceAll('\n', '\r\n')}`],
    ['with the header once more between the sexes', (text: string) => text.replace('\n2,', '\nSEX,Agemos,L,M,S\n2,')],
    ['with quotation marks', (text: string) => text.replaceAll(/([^,\n]+)/g, '"$1"')],
    ['with further columns', (text: string) => text.replaceAll(/(?<=[^\n])(?=\n)/g, ',7.5')],
    ['with blank lines and blanks', (text: string) => text.replaceAll('\n', ' \n\n').replaceAll(',', ', ')],
    ['with exponents', (text: string) => text.replaceAll(',0.1', ',1e-1')],
  ])('are read the same %s', (_how, change) => {
    const file = inventedFile('statage.csv');
    const text = change(file.text);
    expect(text).not.toBe(file.text);
    expect(parseTables([{ ...file, text }])).toEqual(parseTables([file]));
  });

  it('are recognised in folders and in capitals', () => {
    const file = inventedFile('wtageinf.csv');
    expect(parseTables([{ ...file, name: 'CDC/2000/WTAGEINF.CSV' }])).toEqual(parseTables([file]));
  });

  test.each([
    ['wfa', 'Day', 'wfa_0-5_lms.csv'],
    ['lhfa', 'Day', 'lhfa_0-5_lms.csv'],
    ['bfa', 'Day', 'bfa_0-5_lms.csv'],
    ['wfl', 'Length', 'wfl_0-5_lms.csv'],
    ['wfh', 'Height', 'wfh_0-5_lms.csv'],
    ['hfa', 'Month', 'hfa_5-19_lms.csv'],
    ['bmi', 'Month', 'bfa_5-19_lms.csv'],
  ])("of %s by %s are read in WHO's own layout, a file for each sex", (stem, axis, reduced) => {
    expect(parseTables(expanded(stem, axis, reduced))).toEqual(parseTables([inventedFile(reduced)]));
  });
});

describe('a table file that cannot be used', () => {
  test.each([
    ['of another name', 'weights.csv', 'Its name is not that of a growth table of CDC or WHO.'],
    ['of a name that every object has', 'constructor.csv', 'Its name is not that of a growth table of CDC or WHO.'],
    ['of a name that only begins like one', 'wfaked.csv', 'Its name is not that of a growth table of CDC or WHO.'],
  ])('%s is named', (_what, name, problem) => {
    expect(parseTables([{ name, text: inventedFile('wtage.csv').text }]).problems).toEqual([{ file: name, line: 1, problem }]);
  });

  test.each([
    [
      'an axis of another table',
      (text: string) => text.replace('Agemos', 'Day'),
      1,
      'Its first line has no column of ages, lengths or heights such as that table is listed by.',
    ],
    ['no S', (text: string) => text.replace('L,M,S', 'L,M,X'), 1, 'Its first line lacks the column S.'],
    ['no sex', (text: string) => text.replace('Sex', 'Person'), 1, 'It has no column Sex, and its name says neither boys nor girls.'],
    ['no rows', lines((rows) => rows.slice(0, 1)), 1, 'There are no rows in it.'],
    ['nothing in it', () => '', 1, 'Its first line has no column of ages, lengths or heights such as that table is listed by.'],
    ['a third sex code', (text: string) => text.replace('\n1,24.5', '\n3,24.5'), 3, 'The sex is neither 1 (male) nor 2 (female).'],
    [
      'a sex code that every object has',
      (text: string) => text.replace('\n1,24.5', '\nconstructor,24.5'),
      3,
      'The sex is neither 1 (male) nor 2 (female).',
    ],
    ['a word for a number', (text: string) => text.replace('1,1024.5', 'x,1024.5'), 3, 'The axis, L, M and S are not all numbers.'],
    ['a short row', (text: string) => text.replace('1,24.5,1,1024.5,0.1', '1,24.5,1'), 3, 'The axis, L, M and S are not all numbers.'],
    ['a decimal comma', (text: string) => text.replace('1024.5,0.1', '"1024,5",0.1'), 3, 'The axis, L, M and S are not all numbers.'],
    ['a median of nothing', (text: string) => text.replace('1,1024.5', '1,0'), 3, 'M and S must be greater than 0.'],
    ['a negative S', (text: string) => text.replace('1024.5,0.1', '1024.5,-0.1'), 3, 'M and S must be greater than 0.'],
    [
      'an L so large that no value has z = -2',
      (text: string) => text.replace('24.5,1,', '24.5,6,'),
      3,
      'L, M and S give no value at z = 2 either way.',
    ],
  ])('has %s', (_what, damage, line, problem) => {
    expect(damaged('wtage.csv', damage)[0]).toEqual({ file: 'wtage.csv', line, problem });
  });

  test.each([
    ['falls', lines((rows) => [rows[0]!, rows[2]!, rows[1]!, ...rows.slice(3)]), 3, 'The rows must rise: 24 comes after 24.5.'],
    ['stands still', lines((rows) => [...rows.slice(0, 3), rows[2]!, ...rows.slice(3)]), 4, 'The rows must rise: 24.5 comes after 24.5.'],
    ['has a hole', lines((rows) => rows.filter((_, index) => index !== 5)), 6, 'Rows are missing between 26.5 and 28.5.'],
    [
      'begins late',
      lines((rows) => rows.filter((row) => row !== '1,24,1,1024,0.1')),
      2,
      'CDC growth charts 2000, weight-for-age, 2 to 20 years, male, begins at 24.5; published are rows from 24.',
    ],
    [
      'ends early',
      lines((rows) => rows.filter((row) => !row.startsWith('2,240,'))),
      436,
      'CDC growth charts 2000, weight-for-age, 2 to 20 years, female, ends at 239.5; published are rows up to 240.',
    ],
  ])('has an axis that %s', (_what, damage, line, problem) => {
    expect(damaged('wtage.csv', damage)[0]).toEqual({ file: 'wtage.csv', line, problem });
  });

  it('has a hole told once, not again on every later line', () => {
    const withoutOne = lines((rows) => rows.filter((_, index) => index !== 5));
    expect(damaged('wtage.csv', withoutOne)).toHaveLength(1);
  });

  it('has one sex only', () => {
    const girlsOnly = lines((rows) => rows.filter((row) => !row.startsWith('1,')));
    expect(damaged('wtage.csv', girlsOnly)).toEqual([
      {
        file: 'wtage.csv',
        line: 1,
        problem: 'CDC growth charts 2000, weight-for-age, 2 to 20 years is here for one sex only; male is missing.',
      },
    ]);
  });

  it("has lost the other sex's file", () => {
    const [boys] = expanded('wfa', 'Day', 'wfa_0-5_lms.csv');
    expect(parseTables([boys!]).problems.map(({ problem }) => problem)).toEqual([
      'WHO Child Growth Standards 2006, weight-for-age, 0 to 5 years is here for one sex only; female is missing.',
    ]);
  });

  it('holds what another file holds', () => {
    const { problems } = parseTables([inventedFile('wfa_0-5_lms.csv'), ...expanded('wfa', 'Day', 'wfa_0-5_lms.csv')]);
    expect(problems.map(({ file, problem }) => `${file}: ${problem}`)).toEqual([
      'wfa_boys_z_exp.txt: It holds the same table as wfa_0-5_lms.csv: WHO Child Growth Standards 2006, weight-for-age, 0 to 5 years, male.',
      'wfa_girls_z_exp.txt: It holds the same table as wfa_0-5_lms.csv: WHO Child Growth Standards 2006, weight-for-age, 0 to 5 years, female.',
    ]);
  });

  it('is a monthly table where the daily one is needed', () => {
    const monthly = inventedFile('wfa_0-5_lms.csv').text.replace('day', 'month');
    const short = monthly
      .split('\n')
      .filter((line) => !/^[12],/.test(line) || Number(line.split(',')[1]) <= 60)
      .join('\n');
    expect(parseTables([{ name: 'wfa_0-5.csv', text: short }]).problems[0]?.problem).toBe(
      'WHO Reference 2007, weight-for-age, 5 to 10 years, male, ends at 60; published are rows up to 120.',
    );
  });

  it('has every fault told, of every line', () => {
    const problems = damaged('wtage.csv', (text) => text.replaceAll(',0.1', ',-0.1'));
    expect(problems).toHaveLength(436);
    expect(problems.at(-1)).toEqual({ file: 'wtage.csv', line: 437, problem: 'M and S must be greater than 0.' });
  });
});
