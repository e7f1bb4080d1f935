/** A text with line numbers, in which what is spoken of is marked and spoken of below its line. */
import type { Place } from '../core/place-in-text.ts';
import { html, type Html } from './html.ts';

/** What a finding does, worst first; also the name by which the style sheet knows it. */
export type FindingOutcome = 'refuse' | 'hold' | 'warn' | 'inform';

export interface TextRemark {
  readonly outcome: FindingOutcome;
  readonly title: string;
  readonly at: Pick<Place, 'line' | 'column' | 'endLine' | 'endColumn'>;
}

/** A text of so many lines is shown whole; of a longer one, what stands around the remarks. */
const WHOLE_UP_TO = 60;
const LINES_AROUND = 3;
/** A line without an end, as of JSON that cannot be read, is shown around its remark only. */
const LONGEST_LINE = 400;
const COLUMNS_AROUND = 160;

const OUTCOME_WORDS: Readonly<Record<FindingOutcome, string>> = { refuse: 'refused', hold: 'held', warn: 'warning', inform: 'remark' };

/** Anchor of a line in the page. @param line from 1 */
export function lineAnchor(line: number): string {
  return `line-${line}`;
}

export function markedText(text: string, remarks: readonly TextRemark[]): Html {
  const lines = text.split(/\r\n|\n|\r/);
  const byLine = new Map<number, TextRemark[]>();
  for (const remark of remarks) byLine.set(remark.at.line, [...(byLine.get(remark.at.line) ?? []), remark]);
  const shown = linesShown(lines.length, [...byLine.keys()]);
  return html`<div class="text" role="region" aria-label="The text, with what was found in it" tabindex="0">
    ${shown.map((line, at) => [gap((shown[at - 1] ?? 0) + 1, line - 1), ...numbered(lines[line - 1] ?? '', line, byLine.get(line) ?? [])])}
    ${gap((shown.at(-1) ?? 0) + 1, lines.length)}
  </div>`;
}

function linesShown(count: number, spokenOf: readonly number[]): readonly number[] {
  const all = Array.from({ length: count }, (_, index) => index + 1);
  if (count <= WHOLE_UP_TO) return all;
  const near = new Set(spokenOf.flatMap((line) => all.slice(Math.max(0, line - 1 - LINES_AROUND), line + LINES_AROUND)));
  return all.filter((line) => near.has(line) || line === 1);
}

function gap(from: number, to: number): Html {
  if (from > to) return html``;
  return html`<p class="gap">${from === to ? `Line ${from} is` : `Lines ${from} to ${to} are`} left out here.</p>`;
}

function numbered(text: string, line: number, remarks: readonly TextRemark[]): readonly Html[] {
  const row = html`<div class="line" id="${lineAnchor(line)}">
    <span class="number">${line}</span><code>${marked(text, line, remarks)}</code>
  </div>`;
  return [
    row,
    ...remarks.map(
      ({ outcome, title, at }) =>
        html`<p class="remark ${outcome}"><strong>${OUTCOME_WORDS[outcome]}</strong>, from column ${at.column}: ${title}</p>`,
    ),
  ];
}

interface Span {
  readonly from: number;
  readonly to: number;
}

/** Marks the characters of the line that a remark is about; of what goes on below, as far as the line goes. */
function marked(text: string, line: number, remarks: readonly TextRemark[]): readonly (Html | string)[] {
  const spans = united(
    remarks.map(({ at }) => ({ from: at.column - 1, to: Math.max(at.column, at.endLine === line ? at.endColumn - 1 : text.length) })),
  );
  const [first] = spans;
  if (text.length > LONGEST_LINE) {
    const from = Math.max(0, (first?.from ?? 0) - COLUMNS_AROUND);
    const to = Math.min(text.length, from + 2 * COLUMNS_AROUND);
    const within = first && { from: Math.max(first.from, from), to: Math.min(first.to, to) };
    return [from > 0 && '… ', ...cut(text, from, to, within ? [within] : []), to < text.length && ' …'].filter((part) => part !== false);
  }
  return cut(text, 0, text.length, spans);
}

function cut(text: string, from: number, to: number, spans: readonly Span[]): readonly (Html | string)[] {
  const ends = [from, ...spans.map((span) => span.to)];
  return [
    ...spans.flatMap((span, at) => [text.slice(ends[at], span.from), html`<mark>${text.slice(span.from, span.to)}</mark>`]),
    text.slice(ends.at(-1), to),
  ];
}

/** Spans in order, none touching another. */
function united(spans: readonly Span[]): readonly Span[] {
  const result: Span[] = [];
  for (const span of [...spans].sort((a, b) => a.from - b.from)) {
    const last = result.at(-1);
    if (last === undefined || span.from > last.to) result.push(span);
    else result[result.length - 1] = { from: last.from, to: Math.max(last.to, span.to) };
  }
  return result;
}
