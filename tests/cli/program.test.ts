import { spawnSync } from 'node:child_process';
import { copyFileSync, mkdirSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { explainRule } from '../../src/cli/rules.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { factAndRemedy } from '../../src/cli/check/checked.ts';
import { passingFolder, steelyard, writeIn } from './command.ts';
import { listeningTerminal, runHere } from './in-process.ts';

const folder = passingFolder();

describe('the help', () => {
  test.each([
    ['serve', []],
    ['check', []],
    ['simulate', []],
    ['replay', []],
    ['completion', []],
    ['examine-gateway', []],
    ['outbox', []],
    ['outbox', ['list']],
    ['outbox', ['retry']],
    ['outbox', ['distrust']],
    ['outbox', ['discard']],
    ['audit', []],
    ['audit', ['verify']],
    ['audit', ['head']],
    ['migrate', []],
    ['copy', []],
    ['backup', []],
    ['restore', []],
    ['purge', []],
    ['hold', []],
    ['hold', ['add']],
    ['hold', ['release']],
    ['hold', ['list']],
    ['rules', []],
    ['explain', []],
    ['policy', []],
    ['policy', ['explain']],
    ['policy', ['check']],
    ['policy', ['try']],
  ])('of %s %j has one example', async (command, more) => {
    const { exitCode, stdout } = await steelyard([command, ...more, '--help']);
    expect(stdout).toContain(`Usage: steelyard ${[command, ...more].join(' ')}`);
    expect(stdout.match(/^Example:\n {2}.*steelyard /gm)).toHaveLength(1);
    expect(exitCode).toBe(0);
  });

  test('of the whole names every command and says what comes first', async () => {
    const { exitCode, stdout } = await steelyard(['--help']);
    for (const command of [
      'serve',
      'check',
      'simulate',
      'replay',
      'completion',
      'examine-gateway',
      'outbox',
      'audit',
      'migrate',
      'copy',
      'backup',
      'restore',
      'purge',
      'hold',
      'rules',
      'explain',
      'policy',
    ])
      expect(stdout).toMatch(new RegExp(`^  ${command} `, 'm'));
    expect(stdout.replaceAll('\n', ' ')).toContain('Clinical judgement, local policy and licensed practice come first.');
    expect(exitCode).toBe(0);
  });

  test('is given to whoever asks for nothing or for a command that is not there, with exit code 2', async () => {
    expect(await steelyard([])).toMatchObject({ exitCode: 2 });
    const { exitCode, stderr } = await steelyard(['chek']);
    expect(stderr).toContain('Did you mean check?');
    expect(exitCode).toBe(2);
  });

  test.each([
    [['outbox', 'rety', '12'], "unknown command 'rety'\n(Did you mean retry?)"],
    [['outbox', 'rety', '--all'], "unknown command 'rety'\n(Did you mean retry?)"],
    [['hold', 'ad', 'Patient/ada-invented'], "unknown command 'ad'\n(Did you mean add?)"],
    [['audit', 'verfy'], "unknown command 'verfy'\n(Did you mean verify?)"],
  ])('is pointed to by %j, which is no command', async (args, said) => {
    const { exitCode, stderr } = await steelyard(args);
    expect(stderr).toContain(said);
    expect(stderr).toContain('--help');
    expect(exitCode).toBe(2);
  });

  test('is not in the way of the command that may be left out', async () => {
    expect((await steelyard(['outbox', '--help'])).exitCode).toBe(0);
    expect((await steelyard(['outbox', '--state', 'nowhere'])).stderr).toContain('Allowed choices are waiting');
  });
});

describe('the launcher', () => {
  test('says what to do when nothing is built yet, with exit code 2', () => {
    mkdirSync(join(folder, 'bin'));
    writeIn(folder, 'package.json', '{"type":"module"}');
    copyFileSync(join(import.meta.dirname, '..', '..', 'bin', 'steelyard.js'), join(folder, 'bin', 'steelyard.js'));
    const { status, stderr } = spawnSync(process.execPath, [join(folder, 'bin', 'steelyard.js'), 'rules'], { encoding: 'utf8' });
    expect(stderr).toContain('npm run build');
    expect(status).toBe(2);
  });
});

describe('steelyard serve', () => {
  test('ends with exit code 78 and a sentence for each bad setting', async () => {
    const { exitCode, stdout, stderr } = await steelyard(['serve'], { env: { STEELYARD_PORT: 'eighty', STEELYARD_HSOT: 'x' } });
    expect(stderr.trim().split('\n')).toHaveLength(2);
    expect(stdout).toBe('');
    expect(exitCode).toBe(78);
  });
});

describe('steelyard rules and explain', () => {
  test('list every rule once', async () => {
    const { exitCode, stdout } = await steelyard(['rules']);
    for (const { id, title } of RULES)
      expect(stdout).toMatch(new RegExp(`^  ${id} +(refuse|hold|warn|inform) +${title.slice(0, 10)}`, 'm'));
    expect(exitCode).toBe(0);
  });

  test('explain one with its source and its thresholds under the policy that is given', async () => {
    const policy = writeIn(folder, 'policy.json', '{"time.oldestDays":7,"rule.time-old":"warn"}');
    const { exitCode, stdout } = await steelyard(['explain', 'time-old', '--policy', policy]);
    expect(stdout).toContain('time-old: Measured long ago');
    expect(stdout).toContain('lets pass with a warning (moved there by the policy)');
    expect(stdout).toContain('time.oldestDays = 7');
    expect(stdout).toContain('common practice');
    expect(exitCode).toBe(0);
  });

  test('explain one by two stories, with the sentence that it says', async () => {
    const { stdout } = await steelyard(['explain', 'metric-only']);
    const text = stdout.replaceAll(/\s+/g, ' ');
    expect(text).toContain('example Harbourlight Ward weighs in kilograms only, but somebody had switched the chair scale to pounds');
    expect(text).toContain('refused: This site accepts kilograms, grams and centimetres only, and the reading is in [lb_av].');
    expect(text).toContain('put right The chair scale was switched back to kilograms, and Ada was weighed again. accepted');
    expect(text).toContain('Everybody in the examples is invented');
    for (const line of stdout.split('\n')) expect(line.length).toBeLessThanOrEqual(100);
  });

  test('explain one without examples too, and say that there are none', () => {
    const printed: string[] = [];
    const terminal = { print: (...lines: readonly string[]) => void printed.push(...lines), complain: () => undefined, columns: 80 };
    explainRule('time-old', { format: 'text' }, { ...terminal, tint: (_tint, text) => text }, () => ({}));
    expect(printed.at(-1)).toBe('example    none is installed');
    expect(printed[0]).toBe('time-old: Measured long ago');
  });

  test('say so when there is no such rule, and which one was meant', async () => {
    expect(await runHere(['explain', 'no-such-rule'])).toEqual({
      exitCode: 2,
      stdout: 'There is no rule of that id; steelyard rules lists them.\n',
    });
    expect((await runHere(['explain', 'precison-step'])).stdout).toContain('did you mean precision-step?');
  });

  test('explain what the answer looks like', async () => {
    const { stdout } = await runHere(['explain', 'metric-only']);
    expect(stdout.replaceAll(/\s+/g, ' ')).toContain(
      'answer HTTP 422, an issue of OperationOutcome with details.coding.code metric-only, rule-outcome refuse, expression Observation.value.ofType(Quantity)',
    );
  });

  test('explain each rule for programs too, with both examples where there are', async () => {
    const policy = writeIn(folder, 'moved.json', '{"time.oldestDays":7,"rule.time-old":"warn"}');
    const { stdout } = await runHere(['explain', 'time-old', '--policy', policy, '--format', 'json']);
    expect(JSON.parse(stdout)).toMatchObject({
      ...{ id: 'time-old', outcome: 'warn', defaultOutcome: 'hold', movable: true },
      thresholds: [{ name: 'time.oldestDays', value: '7' }],
      examples: { pass: { answer: { verdict: 'accepted' } }, fail: { answer: { status: 202, verdict: 'held' } } },
    });
  });

  test.each(RULES.map(({ id }) => id))('explain %s with what it says, its source and both examples', (id) => {
    const terminal = listeningTerminal();
    explainRule(id, { format: 'text' }, terminal);
    const { outcome, explain } = RULES.find((rule) => rule.id === id)!;
    // what stops a reading says what to do; a remark may leave it to its facts
    if (outcome === 'refuse' || outcome === 'hold') expect(Object.values(factAndRemedy(explain))).not.toContain('');
    for (const head of ['does', 'looks at', 'says', 'source', 'policy', 'example', 'put right', 'answer'])
      expect(terminal.text()).toMatch(new RegExp(`^${head} `, 'm'));
  });
});
