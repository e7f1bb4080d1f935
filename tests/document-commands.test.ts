/** What documents tell people to type is taken by the program, and the settings that they name exist. */
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { describeConfig } from '../src/config.ts';
import { commandLinesIn, complaintAbout } from './command-lines.ts';

const ROOT = join(import.meta.dirname, '..');
const read = (name: string): string => readFileSync(join(ROOT, name), 'utf8');
const filesBelow = (folder: string): string[] =>
  readdirSync(join(ROOT, folder), { recursive: true, encoding: 'utf8' })
    .filter((name) => name.endsWith('.md') && !name.includes('node_modules'))
    .map((name) => join(folder, name));
const DOCUMENTS = ['README.md', 'DEVELOPERS.md', 'CHANGELOG.md', 'SECURITY.md', ...filesBelow('docs'), ...filesBelow('examples')];

describe('the command lines of the documents', () => {
  const lines = DOCUMENTS.flatMap((name) => commandLinesIn(read(name)).map((line) => ({ name, shown: line.words.join(' '), line })));

  it('are found', () => {
    expect(lines.filter(({ name }) => name.startsWith('docs')).length).toBeGreaterThan(30);
    expect(lines.filter(({ name }) => name === 'README.md').length).toBeGreaterThan(15);
  });

  it.each(lines)('$name: steelyard $shown', ({ line }) => {
    expect(complaintAbout(line)).toBeUndefined();
  });
});

describe('a command line that the program would not take', () => {
  it.each([
    ['in a block', '```sh\nsteelyard outbox rety 12\n```', /unknown command 'rety'/],
    ['behind a setting', '```sh\nSTEELYARD_PORT=1 steelyard outbox retry 12 --today\n```', /unknown option '--today'/],
    ['without what it needs', '```sh\nsteelyard hold add Patient/1\n```', /--reason/],
    ['with a value that is none', '```sh\nnpx steelyard purge --audit never\n```', /number of days/],
    ['in a sentence', 'Call `steelyard audit mend`.', /unknown command 'mend'/],
    ['in a sentence, without the name of the program', 'Call `outbox retry --today`.', /unknown option '--today'/],
    ['in a table', '| `steelyard copy a b c` |', /too many arguments/],
  ])('is found %s', (_where, text, complaint) => {
    expect(commandLinesIn(text).map(complaintAbout)).toEqual([expect.stringMatching(complaint)]);
  });
});

describe('the settings that the documents name', () => {
  const known = new Set(describeConfig().map(({ name }) => name));
  it.each(DOCUMENTS)('%s names none that does not exist', (name) => {
    const named = [...read(name).matchAll(/\b(?:STEELYARD|OTEL)_[A-Z0-9_]*[A-Z0-9]\b/g)].map(([setting]) => setting);
    expect(named.filter((setting) => !known.has(setting))).toEqual([]);
  });
});
