/** SECURITY.md and NOTICE: what they name is there, and no row is without its evidence. */
import { existsSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { EXCEPTIONS } from '../scripts/check-licences.ts';

const ROOT = join(import.meta.dirname, '..');
const read = (name: string): string => readFileSync(join(ROOT, name), 'utf8');

/** Rows of the table below a heading, each as its cells, without head and rule. */
function tableBelow(heading: string): readonly (readonly string[])[] {
  const section =
    read('SECURITY.md')
      .split(/^## /m)
      .find((part) => part.startsWith(heading)) ?? '';
  return section
    .split('\n')
    .filter((line) => line.startsWith('| '))
    .slice(2)
    .map((line) =>
      line
        .split('|')
        .slice(1, -1)
        .map((cell) => cell.trim()),
    );
}

const tests = (cell: string): readonly string[] => [...cell.matchAll(/`(tests\/[^`]+\.test\.ts)`/g)].map(([, path]) => path ?? '');

describe('SECURITY.md', () => {
  it('names only files that exist', () => {
    const named = [...read('SECURITY.md').matchAll(/`((?:src|tests|scripts)\/[^`]+)`/g)].map(([, path]) => path ?? '');
    expect(named.length).toBeGreaterThan(40);
    expect(named.filter((path) => !existsSync(join(ROOT, path)))).toEqual([]);
  });

  it('shows a test for every threat, or says that it is accepted', () => {
    const rows = tableBelow('Threats');
    expect(rows.length).toBeGreaterThan(10);
    const bare = rows.filter(
      ([threat, met, shown]) => !threat || !met || (tests(shown ?? '').length === 0 && !shown?.startsWith('accepted: ')),
    );
    expect(bare).toEqual([]);
  });

  it('shows where each requirement is met and a test for it, and names none twice', () => {
    const rows = tableBelow('OWASP ASVS');
    const ids = rows.flatMap(([id = '']) => id.split(', '));
    expect(ids.filter((id) => !/^\d{1,2}\.\d{1,2}\.\d{1,2}$/.test(id))).toEqual([]);
    expect(new Set(ids).size).toBe(ids.length);
    expect(rows.filter(([, met = '', shown = '']) => !/`[^`]+`/.test(met) || tests(shown).length === 0)).toEqual([]);
  });
});

describe('NOTICE', () => {
  it('carries the notice that the LOINC licence asks for', () => {
    expect(read('NOTICE').replaceAll('\n', ' ')).toContain(
      'This material contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc. and the Logical Observation Identifiers Names and Codes (LOINC) Committee and is available at no cost under the license at http://loinc.org/license. LOINC® is a registered United States trademark of Regenstrief Institute, Inc.',
    );
  });

  it('names every library that has terms of its own', () => {
    expect(Object.keys(EXCEPTIONS).filter((name) => !read('NOTICE').includes(`node_modules/${name}/LICENSE.md`))).toEqual([]);
  });
});
