import { mkdirSync, symlinkSync } from 'node:fs';
import { join } from 'node:path';
import { Readable } from 'node:stream';
import { describe, expect, test } from 'vitest';
import { textsOf } from '../../../src/cli/check/read-texts.ts';
import { sourcesOf } from '../../../src/cli/check/sources.ts';
import { passingFolder, writeIn } from '../command.ts';

const folder = passingFolder();
const inside = (name: string): string => join(folder, name);
const OBSERVATION = '{"resourceType":"Observation"}';

describe('a folder', () => {
  mkdirSync(inside('ward/b'), { recursive: true });
  mkdirSync(inside('ward/A'));
  for (const name of ['ward/b/2.json', 'ward/b/10.JSON', 'ward/A/day.ndjson', 'ward/c.json', 'ward/notes.txt'])
    writeIn(folder, name, OBSERVATION);
  symlinkSync(inside('ward'), inside('ward/b/loop'));
  symlinkSync(inside('ward/b'), inside('ward/z-again'));
  symlinkSync(inside('nowhere'), inside('ward/gone.json'));
  symlinkSync(inside('nowhere'), inside('ward/gone.txt'));

  test('is gone through by name, at any depth, once, and follows no link twice', async () => {
    const sources = await sourcesOf([inside('ward')]);
    expect(sources.map(({ file, trouble }) => [file.slice(folder.length + 1), trouble])).toEqual([
      ['ward/A/day.ndjson', undefined],
      ['ward/b/10.JSON', undefined],
      ['ward/b/2.json', undefined],
      ['ward/c.json', undefined],
      ['ward/gone.json', 'ENOENT'],
    ]);
  });

  test('stands in the order in which it was named, beside files of any name and standard input', async () => {
    const sources = await sourcesOf(['-', inside('ward/notes.txt'), inside('ward/A'), inside('absent')]);
    expect(sources.map(({ file, bytes, trouble }) => [file.replace(`${folder}/`, ''), bytes, trouble])).toEqual([
      ['-', 0, undefined],
      ['ward/notes.txt', OBSERVATION.length, undefined],
      ['ward/A/day.ndjson', OBSERVATION.length, undefined],
      ['absent', 0, 'ENOENT'],
    ]);
  });
});

describe('standard input', () => {
  /** In chunks of three bytes, so that lines and characters are cut anywhere. */
  const read = async (input: string | Buffer, isNdjson = false) => {
    const bytes = Buffer.from(input);
    const chunks = Array.from({ length: Math.ceil(bytes.length / 3) }, (_, index) => bytes.subarray(index * 3, index * 3 + 3));
    const texts: unknown[] = [];
    for await (const { content, line } of textsOf({ file: '-', bytes: 0 }, isNdjson, Readable.from(chunks))) {
      texts.push([line, content.kind === 'resource' ? content.type : content.problem]);
    }
    return texts;
  };

  test.each([
    ['one object on one line', `${OBSERVATION}\n`, [[undefined, 'Observation']]],
    ['one object on many lines', '\n{\n"resourceType":\n"Bundle"}\n', [[undefined, 'Bundle']]],
    [
      'several objects, a line each',
      `${OBSERVATION}\n${OBSERVATION}`,
      [
        [1, 'Observation'],
        [2, 'Observation'],
      ],
    ],
    [
      'CR LF, blank lines and a byte order mark',
      `\uFEFF${OBSERVATION}\r\n \r\n${OBSERVATION}\r\n\r\n`,
      [
        [1, 'Observation'],
        [3, 'Observation'],
      ],
    ],
    [
      'a line that is broken among several',
      `{"resourceType":"Obs€rvation",}\n${OBSERVATION}\n`,
      [
        [1, 'it is not acceptable JSON: this is not well-formed JSON, line 1, column 31'],
        [2, 'Observation'],
      ],
    ],
    ['an object whose first line ends in a brace', '{"code":{}\n,"resourceType":"Observation"}', [[undefined, 'Observation']]],
    ['nothing', '', [[undefined, 'it is not acceptable JSON: this is not well-formed JSON, line 1, column 1']]],
    ['something else', 'weight: 80', [[undefined, 'it is not acceptable JSON: this is not well-formed JSON, line 1, column 1']]],
  ])('of %s', async (_what, input, expected) => {
    expect(await read(input)).toEqual(expected);
  });

  test('is read line by line when it is told to be', async () => {
    expect(await read(`${OBSERVATION}\n`, true)).toEqual([[1, 'Observation']]);
    expect(await read('\n\n', true)).toEqual([[undefined, 'it holds no line']]);
    expect(await read(Buffer.from([0x7b, 0xff, 0x7d, 0x0a]), true)).toEqual([[1, 'it is not UTF-8 text']]);
  });
});
