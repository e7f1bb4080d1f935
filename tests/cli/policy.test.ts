import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { policyInWords } from '../../src/core/policy-words.ts';
import { parseExactJson } from '../../src/core/json.ts';
import { createIntake, type Intake } from '../../src/ingest.ts';
import { openStore } from '../../src/open-store.ts';
import type { Store } from '../../src/ports.ts';
import { NOW, observationText, passingFolder, steelyard, writeIn } from './command.ts';

const folder = passingFolder();
const EXAMPLE = join(import.meta.dirname, '..', '..', 'examples', 'policy.json');
const STRICT = writeIn(
  folder,
  'strict.json',
  '{"metricOnly": true, "limits.adult.weight.hold.high": 65, "limits.age-unknown.weight.hold.high": 65}',
);
const BROKEN = writeIn(folder, 'broken.json', '{"time.oldestDay": 7, "metricOnly": "yes"}');

const oneLine = (text: string): string => text.replaceAll(/\s+/g, ' ');

describe('steelyard policy explain', () => {
  test('prints every threshold with its source, within the width', async () => {
    const { exitCode, stdout } = await steelyard(['policy', 'explain']);
    const text = oneLine(stdout);
    const all = policyInWords(DEFAULT_POLICY);
    for (const { name, value, source } of all) {
      expect(text).toContain(`${name} = ${value}`);
      expect(text).toContain(oneLine(`source: ${source}`));
    }
    expect(text).toContain(`0 of ${all.length} settings and limits differ from the default`);
    for (const line of stdout.split('\n')) expect(line.length).toBeLessThanOrEqual(100);
    expect(exitCode).toBe(0);
  });

  test('shows what a file changes, from where, and the rules that it moves', async () => {
    const { stdout } = await steelyard(['policy', 'explain', '--policy', EXAMPLE]);
    expect(stdout).toContain('* time.oldestDays = 7 (default 30)');
    expect(stdout).toContain('* limits.adult.weight.hold = 30.0 to 250.0 kg (default 34.0 to 272.2 kg)');
    expect(stdout).toContain('* rule.scale-coarse = warn (default hold)');
    expect(oneLine(stdout)).toMatch(
      /Policy site-[0-9a-f]{12}: 6 of \d+ settings and limits differ from the default, 2 of \d+ movable rules are moved\./,
    );
  });

  test('explains the policy of STEELYARD_POLICY when no other is named, for programs too', async () => {
    const { stdout } = await steelyard(['policy', 'explain', '--format', 'json'], { env: { STEELYARD_POLICY: EXAMPLE } });
    const explained = JSON.parse(stdout) as { policy: string; settings: { name: string }[]; rules: unknown[] };
    expect(explained.policy).toMatch(/^site-/);
    expect(explained.settings.find(({ name }) => name === 'metricOnly')).toMatchObject({ value: 'true', default: 'false', differs: true });
    expect(explained.rules).toContainEqual(expect.objectContaining({ id: 'scale-coarse', outcome: 'warn', default: 'hold' }));
  });
});

describe('steelyard policy check', () => {
  test('takes the example', async () => {
    const { exitCode, stdout } = await steelyard(['policy', 'check', EXAMPLE]);
    expect(stdout).toContain('is a valid policy.');
    expect(exitCode).toBe(0);
  });

  test('names everything that is wrong, with exit code 1', async () => {
    const { exitCode, stderr } = await steelyard(['policy', 'check', BROKEN]);
    expect(stderr.split('\n')).toEqual([
      'The file: "time.oldestDay": no setting has this name; did you mean "time.oldestDays"?',
      'The file: "metricOnly": must be true or false.',
      '',
    ]);
    expect(exitCode).toBe(1);
  });

  test('ends with exit code 2 when there is no such file', async () => {
    const { exitCode, stderr } = await steelyard(['policy', 'check', join(folder, 'none.json')]);
    expect(stderr).toContain('The file cannot be read (ENOENT)');
    expect(exitCode).toBe(2);
  });
});

describe('steelyard rules and explain', () => {
  test('say that a rule is off', async () => {
    const off = writeIn(folder, 'off.json', '{"rule.scale-coarse": "off"}');
    expect((await steelyard(['rules', '--policy', off])).stdout).toMatch(/^ {2}scale-coarse +off /m);
    expect((await steelyard(['explain', 'scale-coarse', '--policy', off])).stdout).toContain('is switched off (moved there by the policy)');
  });
});

describe('steelyard policy try, beside a running service', () => {
  const database = join(folder, 'ward.db');
  const env = { STEELYARD_DATABASE: database };
  /** Open all the while, as a running service has it. */
  let service: Store;
  let intake: Intake;
  const post = async (...given: Parameters<typeof observationText>): Promise<void> => {
    const text = observationText(...given);
    const parsed = parseExactJson(text);
    if (parsed.ok) await intake.create(parsed.value, text);
  };

  beforeAll(async () => {
    const clock = { nowMs: () => Date.parse(NOW) };
    service = await openStore(database, { clock });
    let issued = 0;
    const newId = (): string => `r${(issued += 1)}`;
    intake = createIntake({ store: service, clock, policy: () => DEFAULT_POLICY, newId, knownBases: [], forwards: false });
    await post('height', '170.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' });
    await post('weight', '70.0', 'kg');
    await post('weight', '154.0', '[lb_av]', { subject: { reference: 'Patient/p2' }, effectiveDateTime: '2026-02-20T08:00:00Z' });
  });
  afterAll(() => service.close());

  const digest = (): string =>
    createHash('sha256')
      .update(readFileSync(database))
      .update(readFileSync(`${database}-wal`))
      .digest('hex');

  test('lists what would change, by person, reading and rule, and writes nothing', async () => {
    const before = digest();
    const { exitCode, stdout } = await steelyard(['policy', 'try', STRICT], { env });
    expect(stdout).toContain(
      '2026-03-02T08:00:00Z  weight  Observation/r2  Patient/p1\n    would be held, is accepted under the policy in force: value-unusual\n',
    );
    expect(stdout).toContain('BMI of weight  Observation/r2  Patient/p1\n    BMI 24.2 would be voided\n');
    expect(stdout).toContain('Observation/r3  Patient/p2\n    would be refused, is accepted under the policy in force: metric-only\n');
    expect(oneLine(stdout)).toContain('3 readings of 2 people and 0 refusals judged under site-');
    expect(oneLine(stdout)).toContain('1 would be held; 1 would be refused; 1 BMI would be voided. Nothing was written.');
    expect(exitCode).toBe(1);
    expect(digest()).toBe(before);
  });

  test('lists as many as asked for and counts all; for one person, since a date, for programs', async () => {
    const short = await steelyard(['policy', 'try', STRICT, '--limit', '1', '--database', database]);
    expect(short.stdout).toContain('… and 2 more; --limit shows more.');
    const { stdout } = await steelyard(['policy', 'try', STRICT, '--format', 'json', '--person', 'Patient/p1', '--since', '2026-03-02'], {
      env,
    });
    expect(JSON.parse(stdout)).toMatchObject({
      inForce: expect.stringMatching(/^built-in-/) as string,
      counts: { persons: 1, readings: 1, changes: { held: 1, refused: 0, bmiVoided: 1 } },
      changes: [
        { kind: 'reading', person: 'Patient/p1', id: 'r2', from: 'accepted', to: 'held', rules: ['value-unusual'] },
        { kind: 'bmi', person: 'Patient/p1', weightId: 'r2', from: { valueText: '24.2', heightId: 'r1' } },
      ],
    });
  });

  test('ends with 0 when nothing would change, as under the policy that is in force', async () => {
    const { exitCode, stdout } = await steelyard(['policy', 'try', STRICT], { env: { ...env, STEELYARD_POLICY: STRICT } });
    expect(stdout).toContain('Nothing would change.');
    expect(exitCode).toBe(0);
  });

  test.each([
    ['a candidate that is broken', [BROKEN], 'The candidate: "metricOnly": must be true or false.'],
    ['a date that is none', [STRICT, '--since', 'yesterday'], '--since must be a date'],
    ['a store that is not there', [STRICT, '--database', join(folder, 'none.db')], 'There is no store at'],
    ['a file that is no store', [STRICT, '--database', STRICT], 'this store cannot be opened'],
  ])('ends with 2 for %s', async (_what, args, sentence) => {
    const { exitCode, stderr } = await steelyard(['policy', 'try', ...args], { env });
    expect(stderr).toContain(sentence);
    expect(exitCode).toBe(2);
  });
});
