/**
 * Loads the growth tables that an operator supplied in a folder.
 *
 * What a table file looks like and what is wrong with one is `core/growth/parse-tables.ts`'s
 * business. The files are public tables and hold nothing of any patient.
 */
import { createHash } from 'node:crypto';
import { readdirSync, readFileSync } from 'node:fs';
import { relative, sep } from 'node:path';
import { parseTables, type TableFile, type TableProblem } from './core/growth/parse-tables.ts';
import { SEXES, TABLE_IDS, type GrowthTables, type LmsTables, type TableId } from './core/growth/tables.ts';

/** The folder cannot be used; `problems` are sentences, at least one for each file at fault. */
export class GrowthTablesError extends Error {
  readonly problems: readonly string[];

  constructor(problems: readonly string[]) {
    super(`The growth tables cannot be used:\n${problems.map((problem) => `- ${problem}`).join('\n')}`);
    this.name = 'GrowthTablesError';
    this.problems = problems;
  }
}

export interface LoadedGrowthTables extends GrowthTables {
  /** In the order of `GROWTH_TABLES`. */
  readonly found: readonly TableId[];
}

/** Other files, such as a note of where the tables came from, may lie beside them. */
const TABLE_FILE = /\.(?:csv|tsv|txt)$/i;
/** A file in a wrong format has a fault on every line; a few of them say enough. */
const PROBLEMS_A_FILE = 3;
const VERSION_DIGITS = 12;

/**
 * Every file of a folder and its folders that ends in .csv, .tsv or .txt must be a usable table.
 *
 * `version` is the beginning of a SHA-256 over the numbers that are used: the same tables have the
 * same version on every machine, however their files are named and laid out.
 *
 * @throws GrowthTablesError that names each unusable file, or says that the folder is unreadable
 *   or holds no table
 */
export function loadGrowthTables(folder: string): LoadedGrowthTables {
  const files = readFolder(folder);
  if (files.length === 0) throw new GrowthTablesError([`There is no .csv, .tsv or .txt file in ${folder}.`]);
  const { tables, problems } = parseTables(files);
  if (problems.length > 0) throw new GrowthTablesError(sentences(problems));
  return { tables, version: versionOf(tables), found: TABLE_IDS.filter((id) => tables[id] !== undefined) };
}

function readFolder(folder: string): TableFile[] {
  let path = folder;
  try {
    return readdirSync(folder, { recursive: true, withFileTypes: true })
      .filter((entry) => !entry.isDirectory() && TABLE_FILE.test(entry.name))
      .map((entry) => `${entry.parentPath}${sep}${entry.name}`)
      .sort()
      .map((file) => {
        path = file;
        return { name: relative(folder, file).replaceAll(sep, '/'), text: readFileSync(file, 'utf8') };
      });
  } catch (cause) {
    const reason = (cause as NodeJS.ErrnoException).code ?? 'unknown reason';
    throw new GrowthTablesError([`${path} cannot be read (${reason}).`]);
  }
}

function sentences(problems: readonly TableProblem[]): string[] {
  const files = [...new Set(problems.map(({ file }) => file))];
  return files.flatMap((file) => {
    const ofFile = problems.filter((problem) => problem.file === file);
    const more = ofFile.length - PROBLEMS_A_FILE;
    return [
      ...ofFile.slice(0, PROBLEMS_A_FILE).map(({ line, problem }) => `${file}, line ${line}: ${problem}`),
      ...(more > 0 ? [`${file}: ${more} more like that.`] : []),
    ];
  });
}

function versionOf(tables: LmsTables): string {
  const hash = createHash('sha256');
  for (const id of TABLE_IDS) {
    for (const sex of SEXES) {
      for (const { at, l, m, s } of tables[id]?.[sex] ?? []) hash.update(`${id} ${sex} ${at} ${l} ${m} ${s}\n`);
    }
  }
  return hash.digest('hex').slice(0, VERSION_DIGITS);
}
