/** A text with numbers, marks and remarks, as a table of texts and places. */
import { describe, expect, test } from 'vitest';
import { markedText, type TextRemark } from '../../src/review/marked-text.ts';

type At = TextRemark['at'];
const at = (line: number, column: number, endLine: number, endColumn: number): At => ({ line, column, endLine, endColumn });
const remark = (place: At, outcome: TextRemark['outcome'] = 'hold', title = 'Doubtful'): TextRemark => ({ outcome, title, at: place });

const marks = (text: string, remarks: readonly TextRemark[]): (string | undefined)[] =>
  [...markedText(text, remarks).html.matchAll(/<mark>(.*?)<\/mark>/gs)].map(([, inner]) => inner);
const numbers = (text: string, remarks: readonly TextRemark[]): number[] =>
  [...markedText(text, remarks).html.matchAll(/id="line-(\d+)"/g)].map(([, number]) => Number(number));
const gaps = (text: string, remarks: readonly TextRemark[]): (string | undefined)[] =>
  [...markedText(text, remarks).html.matchAll(/<p class="gap">(.*?)<\/p>/g)].map(([, words]) => words);

describe('what is marked', () => {
  const text = '{\n  "value": 72.45,\n  "unit": "kg"\n}';
  test.each<[string, At[], string[]]>([
    ['a value', [at(2, 12, 2, 17)], ['72.45']],
    ['what goes on below, as far as its line goes', [at(1, 1, 4, 2)], ['{']],
    ['two on a line, in their order', [at(2, 12, 2, 17), at(2, 3, 2, 10)], ['&quot;value&quot;', '72.45']],
    ['two that overlap, once', [at(2, 3, 2, 14), at(2, 12, 2, 17)], ['&quot;value&quot;: 72.45']],
    ['one within another, once', [at(2, 3, 2, 17), at(2, 12, 2, 14)], ['&quot;value&quot;: 72.45']],
    ['a place without a length: its first character', [at(2, 12, 2, 12)], ['7']],
    ['nothing where nothing is said', [], []],
  ])('%s', (_, places, expected) =>
    expect(
      marks(
        text,
        places.map((place) => remark(place)),
      ),
    ).toEqual(expected),
  );

  test.each([
    ['\r\n', 'a\r\nbc'],
    ['\n', 'a\nbc'],
    ['\r', 'a\rbc'],
  ])('lines end with %j', (_, two) => {
    expect(marks(two, [remark(at(2, 2, 2, 3))])).toEqual(['c']);
    expect(numbers(two, [])).toEqual([1, 2]);
  });

  test('a remark stands directly below its line, with what it does and the column', () => {
    const { html } = markedText(text, [remark(at(2, 12, 2, 17), 'refuse', 'Too many digits')]);
    expect(html.replace(/\s*\n\s*/g, '')).toMatch(
      /id="line-2">.*<mark>72\.45<\/mark>,<\/code><\/div><p class="remark refuse"><strong>refused<\/strong>, from column 12: Too many digits<\/p><div class="line" id="line-3">/,
    );
  });

  test('markup stays text', () => {
    const { html } = markedText('<script>alert(1)</script>', [remark(at(1, 1, 1, 9), 'warn', '<b>bold</b>')]);
    expect(html).not.toMatch(/<script|<b>/);
    expect(html).toContain('<mark>&lt;script&gt;</mark>alert(1)');
  });
});

describe('of a long text', () => {
  const lines = (count: number): string => Array.from({ length: count }, (_, index) => `"${index + 1}"`).join('\n');

  test('up to sixty lines are shown whole', () => {
    expect(numbers(lines(60), [])).toHaveLength(60);
    expect(gaps(lines(60), [])).toEqual([]);
  });

  test('above that, three lines on either side of each remark, the first line, and what is left out', () => {
    const remarks = [remark(at(50, 1, 50, 3)), remark(at(55, 1, 55, 3)), remark(at(100, 1, 100, 3))];
    expect(numbers(lines(100), remarks)).toEqual([1, 47, 48, 49, 50, 51, 52, 53, 54, 55, 56, 57, 58, 97, 98, 99, 100]);
    expect(gaps(lines(100), remarks)).toEqual(['Lines 2 to 46 are left out here.', 'Lines 59 to 96 are left out here.']);
    expect(gaps(lines(61), [remark(at(6, 1, 6, 2))])).toEqual(['Line 2 is left out here.', 'Lines 10 to 61 are left out here.']);
  });

  test('a line without end is shown around its remark only', () => {
    const line = `${'a'.repeat(1000)}X${'b'.repeat(1000)}`;
    const { html } = markedText(line, [remark(at(1, 1001, 1, 1002))]);
    const shown = /<code>(.*?)<\/code>/s.exec(html)?.[1] ?? '';
    expect(shown).toBe(`… ${'a'.repeat(160)}<mark>X</mark>${'b'.repeat(159)} …`);
    expect(/<code>(.*?)<\/code>/s.exec(markedText(line, []).html)?.[1]).toBe(`${'a'.repeat(320)} …`);
  });
});
