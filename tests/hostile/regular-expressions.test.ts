/**
 * Every regular expression in the source, found by reading the source, against 50 000 characters
 * that are meant to make it try again and again. One that does has no end within the time that it
 * is given, and is named.
 */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { createContext, runInContext } from 'node:vm';
import ts from 'typescript';
import { describe, expect, test } from 'vitest';

const SOURCE = join(import.meta.dirname, '../../src');
const LENGTH = 50_000;
/** Far more than a linear one needs on the slowest machine. */
const GIVE_UP_MS = 10_000;

interface Found {
  readonly source: string;
  readonly flags: string;
  readonly where: string;
}

/** All of a file: those written as such, and those that generated code makes of a text that stands in it. */
function patternsIn(path: string): { readonly literals: Found[]; readonly made: Found[] } {
  const file = ts.createSourceFile(path, readFileSync(join(SOURCE, path), 'utf8'), ts.ScriptTarget.Latest, true);
  const literals: Found[] = [];
  const made: Found[] = [];
  const visit = (node: ts.Node): void => {
    const where = `${path}:${file.getLineAndCharacterOfPosition(node.getStart()).line + 1}`;
    if (ts.isRegularExpressionLiteral(node)) {
      const end = node.text.lastIndexOf('/');
      literals.push({ source: node.text.slice(1, end), flags: node.text.slice(end + 1), where });
    }
    if (ts.isNewExpression(node) && node.expression.getText() === 'RegExp') {
      const [source, flags] = (node.arguments ?? []).map((argument) => (ts.isStringLiteral(argument) ? argument.text : undefined));
      made.push({ source: source ?? '', flags: flags ?? '', where });
    }
    ts.forEachChild(node, visit);
  };
  visit(file);
  return { literals, made };
}

const files = readdirSync(SOURCE, { recursive: true, encoding: 'utf8' });
const written = files.filter((path) => path.endsWith('.ts')).map(patternsIn);
const generated = files.filter((path) => path.endsWith('.js') && path.includes('generated')).map(patternsIn);
const found = [...written, ...generated].flatMap(({ literals, made }) => [...literals, ...made]);
const distinct = [...new Map(found.map((one) => [`/${one.source}/${one.flags}`, one])).values()];

/** Pieces of which long texts are made: what the pattern itself speaks of, and what texts are often made of. */
function piecesFor(text: string): string[] {
  const own = [...text.replace(/\\[a-zA-Z]/g, ' ').matchAll(/[A-Za-z0-9]+|[^A-Za-z0-9\s]/g)].map(([piece]) => piece);
  return [
    ...new Set([
      ...own,
      ' ',
      '\t',
      '\n',
      '\r\n',
      'a',
      'A',
      '0',
      '1',
      '-',
      '.',
      ',',
      '/',
      '\\',
      '"',
      '=',
      ';',
      '%',
      '+',
      '{',
      '<',
      '\u00e9',
      '0.',
      'a ',
      ' a',
      'a1',
      '.a',
      '-0',
    ]),
  ];
}

/** The same piece over and over, with something before and behind that keeps it from matching as a whole. */
function hostileTexts(text: string): string[] {
  return piecesFor(text).flatMap((piece) => {
    const long = piece.repeat(Math.ceil(LENGTH / piece.length));
    return [long, `${long}\u0000`, `x${long}!`];
  });
}

describe('the regular expressions of the source', () => {
  test('are all found', () => {
    expect(written.flatMap(({ literals }) => literals).length).toBeGreaterThan(80);
    expect(generated.flatMap(({ made }) => made).length).toBeGreaterThan(10);
    expect(found.filter(({ source }) => source === '')).toEqual([]);
  });

  test('are written as literals, so that none is made of what somebody sent', () => {
    expect(written.flatMap(({ made }) => made)).toEqual([]);
  });

  test.each(distinct.map(({ source, flags, where }) => ({ source, flags, where })))(
    '/$source/$flags ($where) comes to an end on every long text',
    ({ source, flags }) => {
      const scope = createContext({ pattern: new RegExp(source, flags), texts: hostileTexts(source) });
      const search = 'for (const text of texts) { pattern.lastIndex = 0; pattern.exec(text); }';
      expect(() => runInContext(search, scope, { timeout: GIVE_UP_MS }) as unknown).not.toThrow();
    },
  );
});
