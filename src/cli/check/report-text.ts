/** The judgement of files as a report for people, written as it goes. */
import { printable, wrapped, type Tint } from '../terminal.ts';
import { fileName, nameOf, type CheckedReading, type CheckedText, type Remark } from './checked.ts';
import type { Judged } from './judge.ts';
import type { Reporter, Reporting } from './reporter.ts';

const TINTS: Readonly<Record<Judged['verdict'], Tint>> = {
  accepted: 'green',
  resent: 'green',
  held: 'yellow',
  refused: 'red',
  known: 'dim',
  'not judged': 'dim',
};
const SEVERITY_TINTS: Readonly<Record<string, Tint>> = { fatal: 'red', error: 'red', warning: 'yellow', information: 'dim' };

const WORDS: Readonly<Partial<Record<Judged['verdict'], string>>> = {
  resent: 'known already: sent twice',
  known: 'known to this judgement',
};

const INDENT = '    ';
const FURTHER = '      ';

type Look = Reporting['look'];

export function textReporter({ write, look }: Reporting): Reporter {
  let file: string | undefined;
  return {
    take: (checked) => {
      if (checked.file !== file) write(...(file === undefined ? [] : ['']), look.tint('bold', fileName(checked.file)));
      file = checked.file;
      write(...linesOf(checked, look));
    },
    end: () => {
      if (file !== undefined) write('');
    },
  };
}

function linesOf({ file, line, readings, unreadable }: CheckedText, look: Look): string[] {
  if (unreadable) {
    const place = line === undefined ? '' : `line ${line}: `;
    return wrapped(`${place}unreadable: ${printable(unreadable.problem)}`, look.columns, '  ');
  }
  return readings.flatMap((reading) => readingLines(reading, { file, ...(line !== undefined && { line }) }, look));
}

type Where = Pick<CheckedText, 'file' | 'line'>;

function readingLines({ verdict, what, entry, bmi, remarks }: CheckedReading, where: Where, look: Look): string[] {
  const place = [...(where.line === undefined ? [] : [`line ${where.line}`]), ...(entry === '' ? [] : [entry])].join(', ');
  return [
    `  ${look.tint(TINTS[verdict], WORDS[verdict] ?? verdict)}  ${what}${place === '' ? '' : look.tint('dim', `  ${place}`)}`,
    ...(bmi
      ? [`${INDENT}BMI ${bmi.value} kg/m2 follows${bmi.heightAt === '' ? '' : `, with the height of ${heightOf(bmi.heightAt, where)}`}`]
      : []),
    ...remarks.filter(({ rule }) => rule !== undefined).flatMap((remark) => remarkLines(remark, where, look)),
  ];
}

/** Without the name of the text that is spoken of. */
function heightOf(heightAt: string, where: Where): string {
  const name = `${nameOf(where)} `;
  return heightAt.startsWith(name) ? heightAt.slice(name.length) : heightAt;
}

function remarkLines({ issue, rule = '', fact, remedy, source, at }: Remark, { file }: Where, { tint, columns }: Look): string[] {
  const { severity, expression = [] } = issue;
  const missing = at?.isElement === false && !isOutside(expression) ? '  (not in the text; this is where it would belong)' : '';
  return [
    `${INDENT}${tint(SEVERITY_TINTS[severity] ?? 'dim', severity)} ${tint('bold', rule)} at ${printable(expression.join(', '))}`,
    ...(at ? [`${FURTHER}${fileName(file)}:${at.line}:${at.column}${tint('dim', missing)}`] : []),
    ...wrapped(printable(fact), columns, FURTHER),
    ...(remedy === ''
      ? []
      : wrapped(printable(remedy), columns, `${FURTHER}→ `).map((line, index) => (index === 0 ? line : line.replace('→', ' ')))),
    ...(source === undefined ? [] : wrapped(`Source: ${source}`, columns, FURTHER).map((line) => tint('dim', line))),
  ];
}

/** `http.If-Match` is an element of the call, and none of the text. */
function isOutside(expression: readonly string[]): boolean {
  return expression[0]?.startsWith('http.') === true;
}
