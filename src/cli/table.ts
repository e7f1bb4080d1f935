/** Tables for terminals: no frame, cells that wrap, every line within the width. */
import { withoutTrailing } from '../trailing.ts';
import Table from 'cli-table3';

export interface Column {
  readonly head: string;
  /** The widest that its cells may be before they wrap. */
  readonly most?: number;
  readonly align?: 'right';
}

const NO_FRAME = {
  ...{ top: '', 'top-mid': '', 'top-left': '', 'top-right': '' },
  ...{ bottom: '', 'bottom-mid': '', 'bottom-left': '', 'bottom-right': '' },
  ...{ left: '', 'left-mid': '', mid: '', 'mid-mid': '', right: '', 'right-mid': '' },
};

const GAP = '  ';

/** @param width of the terminal: the last column takes what is left of it */
export function plainTable(
  columns: readonly Column[],
  rows: readonly (readonly string[])[],
  width: number,
  tintHead: (head: string) => string,
): string {
  const table = new Table({
    chars: { ...NO_FRAME, middle: GAP },
    style: { 'padding-left': 0, 'padding-right': 0, head: [], border: [] },
    colWidths: widths(columns, rows, width),
    colAligns: columns.map(({ align }) => align ?? ('left' as const)),
    wordWrap: true,
  });
  table.push(
    columns.map(({ head }) => tintHead(head)),
    ...rows.map((row) => [...row]),
  );
  return table
    .toString()
    .split('\n')
    .map((line) => withoutTrailing(line, ' '))
    .join('\n');
}

function widths(columns: readonly Column[], rows: readonly (readonly string[])[], width: number): number[] {
  const wanted = columns.map(({ head, most = width }, index) => {
    const lines = [head, ...rows.map((row) => row[index] ?? '')].flatMap((cell) => cell.split('\n'));
    return Math.min(most, Math.max(...lines.map(lengthOf)));
  });
  const before = wanted.slice(0, -1).reduce((sum, one) => sum + one + GAP.length, 0);
  return [...wanted.slice(0, -1), Math.min(wanted.at(-1) ?? 0, width - before)];
}

/** Without the invisible codes that colour it. */
function lengthOf(text: string): number {
  return text.replaceAll(/\u001B\[\d+m/g, '').length;
}
