/**
 * Growth tables from the texts of the files in which CDC and WHO publish them.
 *
 * A file is recognised by its name, and WHO's by the axis in its header as well. CDC: `bmiagerev`,
 * `statage`, `wtage`, `lenageinf`, `wtageinf`, `wtleninf`, `wtstat`, comma-separated, both sexes
 * in one file. WHO: a name that begins with `wfa`, `lhfa`, `hfa`, `bfa`, `bmi`, `wfl` or `wfh` and
 * either holds both sexes in a column `sex`, or says `boys` or `girls`, as in WHO's own expanded
 * tables (tab-separated: Day, Month, Length or Height, L, M, S and more; that layout from memory).
 *
 * Nothing is thrown: what cannot be used is told with file, line and a sentence.
 */
import { GROWTH_TABLES, SEXES, TABLE_IDS, type LmsRow, type LmsTables, type TableId } from './tables.ts';
import { cdcScale, whoScale, type Sex } from './z-score.ts';

export interface TableFile {
  /** With or without folders in front of it. */
  readonly name: string;
  readonly text: string;
}

export interface TableProblem {
  readonly file: string;
  readonly line: number;
  /** One sentence. */
  readonly problem: string;
}

export interface ParsedTables {
  /** Complete only when there are no problems. */
  readonly tables: LmsTables;
  readonly problems: readonly TableProblem[];
}

/** One file's rows of one sex. */
interface Part {
  readonly file: string;
  readonly id: TableId;
  readonly sex: Sex;
  readonly rows: readonly NumberedRow[];
}

interface NumberedRow extends LmsRow {
  readonly line: number;
}

/** By the name, or its beginning, and the column by which the rows are listed. */
const KNOWN_FILES: ReadonlyMap<string, TableId> = new Map([
  ['wtageinf agemos', 'cdc-weight-for-age-infant'],
  ['lenageinf agemos', 'cdc-length-for-age-infant'],
  ['wtleninf length', 'cdc-weight-for-length'],
  ['wtage agemos', 'cdc-weight-for-age'],
  ['statage agemos', 'cdc-stature-for-age'],
  ['bmiagerev agemos', 'cdc-bmi-for-age'],
  ['wtstat height', 'cdc-weight-for-stature'],
  ['wfa day', 'who-weight-for-age-0-5'],
  ['lhfa day', 'who-height-for-age-0-5'],
  ['hfa day', 'who-height-for-age-0-5'],
  ['bfa day', 'who-bmi-for-age-0-5'],
  ['bmi day', 'who-bmi-for-age-0-5'],
  ['wfl length', 'who-weight-for-length'],
  ['wfh height', 'who-weight-for-height'],
  ['wfa month', 'who-weight-for-age-5-10'],
  ['hfa month', 'who-height-for-age-5-19'],
  ['bfa month', 'who-bmi-for-age-5-19'],
  ['bmi month', 'who-bmi-for-age-5-19'],
]);
const CDC_NAME = /^(?:wtageinf|lenageinf|wtleninf|wtage|statage|bmiagerev|wtstat)$/;
const WHO_NAME = /^(?:lhfa|wfa|hfa|bfa|bmi|wfl|wfh)(?![a-z])/;
const NAMED_SEX = /(?<![a-z])(boys|girls)(?![a-z])/;
const AXES = ['agemos', 'day', 'month', 'length', 'height'] as const;
const CODED_SEX: ReadonlyMap<string, Sex> = new Map([
  ['1', 'male'],
  ['2', 'female'],
]);
const NUMBER = /^-?(?:\d+(?:\.\d*)?|\.\d+)(?:e[+-]?\d+)?$/i;

/** How far out a scale needs a value: WHO's fixed steps begin at 3 SD, CDC's modified z-score at 2. */
const NEEDED_Z = { cdc: 2, who: 3 } as const;
const BINARY_SLACK = 1e-9;

/** Reads all files of a folder together, since WHO gives each sex a file of its own. */
export function parseTables(files: readonly TableFile[]): ParsedTables {
  const read = files.map(parseFile);
  const parts = read.flatMap((one) => one.parts);
  const problems = [...read.flatMap((one) => one.problems), ...parts.flatMap(reachProblems), ...togetherProblems(parts)];
  const present = TABLE_IDS.filter((id) => parts.some((part) => part.id === id));
  const rowsOf = (id: TableId, sex: Sex): LmsRow[] =>
    (parts.find((part) => part.id === id && part.sex === sex)?.rows ?? []).map(({ at, l, m, s }) => ({ at, l, m, s }));
  const tables = Object.fromEntries(present.map((id) => [id, { male: rowsOf(id, 'male'), female: rowsOf(id, 'female') }]));
  return { tables, problems };
}

interface ParsedFile {
  readonly parts: readonly Part[];
  readonly problems: readonly TableProblem[];
}

function parseFile({ name, text }: TableFile): ParsedFile {
  const lines = text.replace(/^\uFEFF/, '').split(/\r\n|\n|\r/);
  const separator = lines[0]?.includes('\t') ? '\t' : ',';
  const table = lines.map((line) => line.split(separator).map((cell) => cell.trim().replace(/^"(.*)"$/, '$1')));
  const header = (table[0] ?? []).map((cell) => cell.toLowerCase().replace(/_cm$/, ''));
  const layout = layoutOf(name, header);
  if (typeof layout === 'string') return { parts: [], problems: [{ file: name, line: 1, problem: layout }] };

  const rows: Readonly<Record<Sex, NumberedRow[]>> = { male: [], female: [] };
  const problems: TableProblem[] = [];
  table.forEach((cells, index) => {
    const line = index + 1;
    if (index === 0 || cells.every((cell) => cell === '') || isHeaderAgain(cells, table[0] ?? [])) return;
    const row = parseRow(cells, line, layout);
    const problem = typeof row === 'string' ? row : rowProblem(row, rows[row.sex].at(-1), layout.id);
    if (problem !== undefined) problems.push({ file: name, line, problem });
    if (typeof row !== 'string') rows[row.sex].push(row);
  });
  // after a bad row, what the table lacks as a whole would only repeat it
  if (problems.length > 0) return { parts: [], problems };
  const parts = SEXES.filter((sex) => rows[sex].length > 0).map((sex) => ({ file: name, id: layout.id, sex, rows: rows[sex] }));
  return parts.length > 0 ? { parts, problems } : { parts, problems: [{ file: name, line: 1, problem: 'There are no rows in it.' }] };
}

/** Where in a line what stands. */
interface Layout {
  readonly id: TableId;
  /** Column of the sex, or the sex of the whole file. */
  readonly sex: number | Sex;
  readonly columns: Readonly<Record<'at' | 'l' | 'm' | 's', number>>;
}

function layoutOf(name: string, header: readonly string[]): Layout | string {
  const stem = (name.split('/').at(-1) ?? '').toLowerCase().replace(/\.[a-z]+$/, '');
  const known = (CDC_NAME.exec(stem) ?? WHO_NAME.exec(stem))?.[0];
  if (known === undefined) return 'Its name is not that of a growth table of CDC or WHO.';
  const axis = AXES.find((one) => header.includes(one));
  const id = KNOWN_FILES.get(`${known} ${axis}`);
  if (id === undefined || axis === undefined)
    return 'Its first line has no column of ages, lengths or heights such as that table is listed by.';
  const missing = ['l', 'm', 's'].filter((column) => !header.includes(column));
  if (missing.length > 0) return `Its first line lacks the column ${missing.join(', ').toUpperCase()}.`;
  const named = NAMED_SEX.exec(stem)?.[1];
  const sex = header.includes('sex') ? header.indexOf('sex') : named === undefined ? undefined : named === 'boys' ? 'male' : 'female';
  if (sex === undefined) return 'It has no column Sex, and its name says neither boys nor girls.';
  const [at, l, m, s] = [axis, 'l', 'm', 's'].map((column) => header.indexOf(column)) as [number, number, number, number];
  return { id, sex, columns: { at, l, m, s } };
}

/** Two of CDC's files repeat their header line between the sexes. */
function isHeaderAgain(cells: readonly string[], header: readonly string[]): boolean {
  return cells.join('\t').toLowerCase() === header.join('\t').toLowerCase();
}

function parseRow(cells: readonly string[], line: number, { sex, columns }: Layout): (NumberedRow & { readonly sex: Sex }) | string {
  const rowSex = typeof sex === 'number' ? CODED_SEX.get(cells[sex] ?? '') : sex;
  if (rowSex === undefined) return 'The sex is neither 1 (male) nor 2 (female).';
  const texts = [columns.at, columns.l, columns.m, columns.s].map((column) => cells[column] ?? '');
  if (!texts.every((cell) => NUMBER.test(cell))) return 'The axis, L, M and S are not all numbers.';
  const [at, l, m, s] = texts.map(Number) as [number, number, number, number];
  return { at, l, m, s, line, sex: rowSex };
}

function rowProblem(row: NumberedRow, previous: NumberedRow | undefined, id: TableId): string | undefined {
  const { body, step } = GROWTH_TABLES[id];
  if (row.m <= 0 || row.s <= 0) return 'M and S must be greater than 0.';
  const scale = body === 'cdc' ? cdcScale(row) : whoScale(row);
  const reached = [-NEEDED_Z[body], NEEDED_Z[body]].map(scale.value);
  if (!reached.every((value) => value > 0 && Number.isFinite(value)))
    return `L, M and S give no value at z = ${NEEDED_Z[body]} either way.`;
  if (previous === undefined) return undefined;
  if (row.at <= previous.at) return `The rows must rise: ${row.at} comes after ${previous.at}.`;
  if (row.at - previous.at > step + BINARY_SLACK) return `Rows are missing between ${previous.at} and ${row.at}.`;
  return undefined;
}

/** A table that begins late or ends early was cut off on its way here. */
function reachProblems({ file, id, sex, rows }: Part): TableProblem[] {
  const { from, to, title } = GROWTH_TABLES[id];
  const [first, last] = [rows[0] as NumberedRow, rows.at(-1) as NumberedRow];
  const late =
    first.at > from
      ? [{ file, line: first.line, problem: `${title}, ${sex}, begins at ${first.at}; published are rows from ${from}.` }]
      : [];
  const early =
    last.at < to ? [{ file, line: last.line, problem: `${title}, ${sex}, ends at ${last.at}; published are rows up to ${to}.` }] : [];
  return [...late, ...early];
}

function togetherProblems(parts: readonly Part[]): TableProblem[] {
  const twice = parts.flatMap((part, index) => {
    const first = parts.slice(0, index).find(({ id, sex }) => id === part.id && sex === part.sex);
    const problem = `It holds the same table as ${first?.file}: ${GROWTH_TABLES[part.id].title}, ${part.sex}.`;
    return first === undefined ? [] : [{ file: part.file, line: 1, problem }];
  });
  const alone = parts.flatMap((part) => {
    const other = part.sex === 'male' ? 'female' : 'male';
    const problem = `${GROWTH_TABLES[part.id].title} is here for one sex only; ${other} is missing.`;
    return parts.some(({ id, sex }) => id === part.id && sex === other) ? [] : [{ file: part.file, line: 1, problem }];
  });
  return [...twice, ...alone];
}
