/** Loading a folder of growth tables; the numbers in it are invented. */
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { dirname, join } from 'node:path';
import { afterEach, describe, expect, it } from 'vitest';
import { TABLE_IDS } from '../src/core/growth/tables.ts';
import { GrowthTablesError, loadGrowthTables } from '../src/growth-tables.ts';
import { inventedFile, inventedFiles } from './core/growth/invented-tables.ts';

const folders: string[] = [];

function folderOf(files: readonly { readonly name: string; readonly text: string }[]): string {
  const folder = mkdtempSync(join(tmpdir(), 'growth-'));
  folders.push(folder);
  for (const { name, text } of files) {
    mkdirSync(join(folder, dirname(name)), { recursive: true });
    writeFileSync(join(folder, name), text);
  }
  return folder;
}

function problemsOf(folder: string): readonly string[] {
  try {
    loadGrowthTables(folder);
  } catch (error) {
    if (error instanceof GrowthTablesError) return error.problems;
    throw error;
  }
  throw new Error('the folder was loaded');
}

afterEach(() => {
  for (const folder of folders.splice(0)) rmSync(folder, { recursive: true });
});

describe('a folder of growth tables', () => {
  it('is loaded whole, with the names of its tables', () => {
    const loaded = loadGrowthTables(folderOf(inventedFiles()));
    expect(loaded.found).toEqual(TABLE_IDS);
    expect(loaded.tables['who-weight-for-age-0-5']?.female[1856]).toEqual({ at: 1856, l: 1, m: 3856, s: 0.1 });
  });

  it('may hold some of them, folders, and other files beside them', () => {
    const wtage = inventedFile('wtage.csv');
    const files = [
      { ...wtage, name: 'cdc/wtage.csv' },
      { name: 'who/README.md', text: 'nothing yet' },
      { name: 'cdc/chart.pdf', text: '%PDF' },
    ];
    expect(loadGrowthTables(folderOf(files)).found).toEqual(['cdc-weight-for-age']);
  });

  it('has a version of twelve hexadecimal digits that names its numbers, not its files', () => {
    const statage = inventedFile('statage.csv');
    const { version } = loadGrowthTables(folderOf([statage]));
    expect(version).toMatch(/^[0-9a-f]{12}$/);
    const sameNumbers = { name: 'cdc/STATAGE.CSV', text: statage.text.replaceAll('\n', '\r\n').replaceAll(',0.1', ',1.0e-1') };
    expect(loadGrowthTables(folderOf([sameNumbers])).version).toBe(version);
    const oneDigit = { ...statage, text: statage.text.replace('2,120.5,1,2120.5,', '2,120.5,1,2120.51,') };
    expect(loadGrowthTables(folderOf([oneDigit])).version).not.toBe(version);
    const swapped = { ...statage, text: statage.text.replaceAll(/^1,/gm, '3,').replaceAll(/^2,/gm, '1,').replaceAll(/^3,/gm, '2,') };
    expect(loadGrowthTables(folderOf([swapped])).version).not.toBe(version);
  });
});

describe('a folder that cannot be used', () => {
  it('is empty', () => {
    const folder = folderOf([]);
    expect(problemsOf(folder)).toEqual([`There is no .csv, .tsv or .txt file in ${folder}.`]);
  });

  it('holds no table', () => {
    expect(problemsOf(folderOf([{ name: 'notes.md', text: '' }]))).toHaveLength(1);
  });

  it('is not there', () => {
    const folder = join(folderOf([]), 'missing');
    expect(problemsOf(folder)).toEqual([`${folder} cannot be read (ENOENT).`]);
  });

  it('is a file', () => {
    const file = join(folderOf([inventedFile('wtage.csv')]), 'wtage.csv');
    expect(problemsOf(file)).toEqual([`${file} cannot be read (ENOTDIR).`]);
  });

  it('has unusable files among its files, each of which is named with its line', () => {
    const wtage = inventedFile('wtage.csv');
    const files = [
      inventedFile('statage.csv'),
      { ...wtage, text: wtage.text.replace('1,24.5,1,1024.5,', '1,24.5,1,0,') },
      { name: 'who/wfa_girls.txt', text: 'Day\tL\tM\n0\t1\t2' },
      { name: 'weights.csv', text: '' },
    ];
    expect(problemsOf(folderOf(files))).toEqual([
      'weights.csv, line 1: Its name is not that of a growth table of CDC or WHO.',
      'who/wfa_girls.txt, line 1: Its first line lacks the column S.',
      'wtage.csv, line 3: M and S must be greater than 0.',
    ]);
  });

  it('has a file wrong on every line, of which three are told', () => {
    const wtage = inventedFile('wtage.csv');
    const problems = problemsOf(folderOf([{ ...wtage, text: wtage.text.replaceAll(',0.1', ',-1') }]));
    expect(problems).toHaveLength(4);
    expect(problems[3]).toBe('wtage.csv: 433 more like that.');
  });
});
