import { spawnSync } from 'node:child_process';
import { describe, expect, test } from 'vitest';
import { completionScript, SHELLS, type Shell } from '../../src/cli/completion.ts';
import { allCommands, completionOf } from '../../src/cli/completion/words.ts';
import { createProgram } from '../../src/cli/program.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { passingFolder, writeIn } from './command.ts';
import { listeningTerminal, runHere } from './in-process.ts';

const folder = passingFolder();
const program = () => createProgram(listeningTerminal());
const commands = allCommands(completionOf(program(), () => undefined));
const scriptOf = (shell: Shell) => completionScript(shell, program());
const isThere = (shell: string): boolean => spawnSync(shell, ['--version']).status === 0;

describe.each(SHELLS)('the completion for %s', (shell) => {
  test('names every command, every option and every rule', async () => {
    const { exitCode, stdout } = await runHere(['completion', shell]);
    expect(exitCode).toBe(0);
    for (const { path, options } of commands) {
      if (path.length > 1) expect(stdout).toMatch(new RegExp(`\\b${path.at(-1)!}\\b`));
      for (const { flags } of options) {
        for (const flag of flags)
          expect(stdout).toContain(shell === 'fish' ? ` -${flag.startsWith('--') ? 'l' : 's'} ${flag.replace(/^-+/, '')}` : flag);
      }
    }
    for (const { id } of RULES) expect(stdout).toContain(id);
    expect(commands.length).toBeGreaterThan(25);
  });

  test.runIf(isThere(shell))('is taken by that shell without a complaint', () => {
    const { status, stderr } = spawnSync(shell, ['-n', writeIn(folder, `completion.${shell}`, scriptOf(shell))], { encoding: 'utf8' });
    expect([status, stderr]).toEqual([0, '']);
  });
});

test('a shell that is not known is refused', async () => {
  expect(await runHere(['completion', 'tcsh'])).toMatchObject({
    exitCode: 2,
    stdout: expect.stringContaining('bash, zsh, fish') as string,
  });
});

describe.runIf(isThere('bash'))('in bash', () => {
  const script = writeIn(folder, 'sourced.bash', scriptOf('bash'));
  writeIn(folder, 'ward-day.ndjson', '');
  writeIn(folder, 'ward policy.json', '');

  /** What is offered behind these words; the last one is being typed. */
  function offered(...words: readonly string[]): string[] {
    const { status, stdout, stderr } = spawnSync(
      'bash',
      [
        '--norc',
        '-c',
        'source "$1"; shift; COMP_WORDS=(steelyard "$@"); COMP_CWORD=$#; _steelyard; printf "%s\\n" "${COMPREPLY[@]}"',
        'bash',
        script,
        ...words,
      ],
      { encoding: 'utf8', cwd: folder },
    );
    expect([status, stderr]).toEqual([0, '']);
    return stdout.split('\n').filter((line) => line !== '');
  }

  test('every command is offered below its group, and each of its options behind it', () => {
    const wanted: string[] = [];
    for (const { path, subcommands, options } of commands) {
      for (const one of subcommands) wanted.push([...path.slice(1), one.path.at(-1)!].join('|'));
      for (const { flags } of options) wanted.push([...path.slice(1), flags.at(-1)!].join('|'));
    }
    // all in one shell, since each costs its start
    const lines = wanted.map((line) => {
      const words = line.split('|');
      return `COMP_WORDS=(steelyard ${words.map((word) => `'${word}'`).join(' ')}); COMP_CWORD=${words.length}; _steelyard; echo "${line} \${COMPREPLY[*]}"`;
    });
    const { stdout, stderr } = spawnSync('bash', ['--norc'], { encoding: 'utf8', input: [`source '${script}'`, ...lines].join('\n') });
    expect(stderr).toBe('');
    for (const line of wanted)
      expect(
        stdout
          .split('\n')
          .find((said) => said.startsWith(`${line} `))
          ?.split(' '),
      ).toContain(line.split('|').at(-1));
  });

  test.each([
    ['the ids of rules', ['explain', 'tare-m'], ['tare-missing']],
    ['choices of an option', ['check', '--format', ''], ['text', 'json', 'junit', 'sarif']],
    ['choices of an option behind an argument', ['check', 'a.json', '--format', 's'], ['sarif']],
    ['scenarios', ['simulate', '--scenario', 'c'], ['clock-fault']],
    ['shells', ['completion', ''], ['bash', 'zsh', 'fish']],
    ['files', ['replay', 'ward-d'], ['ward-day.ndjson']],
    ['files with blanks in their names, behind an option', ['check', '--policy', 'ward p'], ['ward policy.json']],
    ['further files where an argument repeats', ['check', 'a.json', 'b.json', 'ward-d'], ['ward-day.ndjson']],
    ['nothing where one was given', ['explain', 'tare-missing', ''], []],
    ['nothing for a value that may be anything', ['simulate', '--seed', ''], []],
    ['an argument behind an option with a value', ['explain', '--policy', 'x.json', 'tare-m'], ['tare-missing']],
    ['commands of a group', ['outbox', 'dis'], ['distrust', 'discard']],
  ])('%s', (_what, words, expected) => {
    expect(offered(...words)).toEqual(expected);
  });
});

test('the words are those of the program that is running', () => {
  const grown = program();
  grown.command('weigh').option('--twice').argument('<file>');
  expect(completionScript('bash', grown)).toContain("'steelyard weigh') words='--twice");
});
