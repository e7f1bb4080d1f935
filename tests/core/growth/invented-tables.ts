/**
 * Growth tables with plainly invented numbers: every median is 1000 (male) or 2000 (female) plus
 * the place on the axis, L is 1 and S is 0.1. So a median of 1024.5 says which row was found, and a
 * z-score is ten times the relative distance from it. They reach as far as the published tables.
 */
import type { TableFile } from '../../../src/core/growth/parse-tables.ts';
import { parseTables } from '../../../src/core/growth/parse-tables.ts';
import type { GrowthTables, TableId } from '../../../src/core/growth/tables.ts';

const halfMonths = (from: number, to: number) => [from, ...steps(from + 0.5, to)];
const steps = (from: number, to: number, step = 1) =>
  Array.from({ length: Math.round((to - from) / step) + 1 }, (_, index) => Number((from + index * step).toFixed(1)));

/** Name, header of the axis, and places, as CDC and WHO list them. */
const LAYOUTS: readonly (readonly [name: string, axis: string, places: readonly number[]])[] = [
  ['wtageinf.csv', 'Agemos', [...halfMonths(0, 35.5), 36]],
  ['lenageinf.csv', 'Agemos', halfMonths(0, 35.5)],
  ['wtleninf.csv', 'Length', halfMonths(45, 103.5)],
  ['wtage.csv', 'Agemos', [...halfMonths(24, 239.5), 240]],
  ['statage.csv', 'Agemos', [...halfMonths(24, 239.5), 240]],
  ['bmiagerev.csv', 'Agemos', [...halfMonths(24, 239.5), 240, 240.5]],
  ['wtstat.csv', 'Height', halfMonths(77, 121.5)],
  ['wfa_0-5_lms.csv', 'day', steps(0, 1856)],
  ['lhfa_0-5_lms.csv', 'day', steps(0, 1856)],
  ['bfa_0-5_lms.csv', 'day', steps(0, 1856)],
  ['wfl_0-5_lms.csv', 'length_cm', steps(45, 110, 0.1)],
  ['wfh_0-5_lms.csv', 'height_cm', steps(65, 120, 0.1)],
  ['wfa_5-19_lms.csv', 'month', steps(61, 120)],
  ['hfa_5-19_lms.csv', 'month', steps(61, 228)],
  ['bfa_5-19_lms.csv', 'month', steps(61, 228)],
];

/** The files of both bodies, comma-separated, both sexes in each. */
export function inventedFiles(): TableFile[] {
  return LAYOUTS.map(([name, axis, places]) => {
    const rows = (sex: 1 | 2) => places.map((at) => `${sex},${at},1,${Number((sex * 1000 + at).toFixed(1))},0.1`);
    return { name, text: [`Sex,${axis},L,M,S`, ...rows(1), ...rows(2), ''].join('\n') };
  });
}

/** One of them; throws when there is none. */
export function inventedFile(name: string): TableFile {
  const file = inventedFiles().find((one) => one.name === name);
  if (file === undefined) throw new Error(`no invented file ${name}`);
  return file;
}

const ALL = parseTables(inventedFiles());

/** All of them, or those of some ids. */
export function inventedTables(accept: (id: TableId) => boolean = () => true): GrowthTables {
  const kept = Object.entries(ALL.tables).filter(([id]) => accept(id as TableId));
  return { version: 'invented', tables: Object.fromEntries(kept) };
}
