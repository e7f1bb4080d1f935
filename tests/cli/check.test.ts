import type * as fhir4 from 'fhir/r4.js';
import { describe, expect, test } from 'vitest';
import { NOW, bundleText, observationText, passingFolder, steelyard, writeIn, type Surroundings } from './command.ts';

const folder = passingFolder();
const PATIENT = '{"resourceType":"Patient","id":"p1","name":[{"text":"Imagina Invented"}],"birthDate":"1960-04-01"}';

const check = (args: readonly string[], surroundings?: Surroundings) => steelyard(['check', '--now', NOW, ...args], surroundings);

async function outcomeOf(args: readonly string[], surroundings?: Surroundings) {
  const { exitCode, stdout } = await check(['--format', 'json', ...args], surroundings);
  const outcome = JSON.parse(stdout) as fhir4.OperationOutcome;
  const issues = outcome.issue.map(({ severity, details, expression, diagnostics = '' }) => ({
    severity,
    rule: details?.coding?.[0]?.code,
    expression,
    diagnostics,
  }));
  return { exitCode, outcome, issues };
}

describe('steelyard check', () => {
  test('accepts a sound weight and exits 0', async () => {
    const { exitCode, stdout, stderr } = await check([writeIn(folder, 'sound.json', observationText('weight', '80.0', 'kg'))]);
    expect(stdout).toContain('accepted  body weight 80.0 kg, 2026-03-02T08:00:00Z');
    expect(stdout).toContain('1 accepted, 0 held, 0 refused');
    expect(stderr).toBe('');
    expect(exitCode).toBe(0);
  });

  test('says what is wrong with a refused weight, with rule, element and source, and exits 1', async () => {
    const { exitCode, stdout } = await check([writeIn(folder, 'converted.json', observationText('weight', '20.09414', 'kg'))]);
    expect(stdout).toContain('refused  body weight 20.09414 kg');
    expect(stdout).toContain('error precision-step at Observation.value.ofType(Quantity).value');
    expect(stdout).toContain('44.3');
    expect(stdout).toContain('Source: Service requirements, precision');
    expect(exitCode).toBe(1);
  });

  test('exits 1 for a held reading too, and tells to weigh again', async () => {
    const bundle = bundleText('collection', [PATIENT, observationText('weight', '300.0', 'kg')]);
    const { exitCode, stdout } = await check([writeIn(folder, 'held.json', bundle)]);
    expect(stdout).toContain('0 accepted, 1 held, 0 refused');
    expect(stdout.replaceAll('\n', ' ')).toContain('Verify a held reading by weighing again.');
    expect(exitCode).toBe(1);
  });

  test('judges the entries of a Bundle with each other: the BMI follows from two of them', async () => {
    const weight = observationText('weight', '80.0', 'kg', { effectiveDateTime: '2026-03-02T08:05:00Z' });
    const bmi = observationText('bmi', '31.3', 'kg/m2', { effectiveDateTime: '2026-03-02T08:05:00Z' });
    const bundle = bundleText('collection', [bmi, weight, observationText('height', '160.0', 'cm'), PATIENT]);
    const { exitCode, stdout } = await check([writeIn(folder, 'ward.json', bundle)]);
    expect(stdout).toContain(
      'accepted  body weight 80.0 kg, 2026-03-02T08:05:00Z  entry[1]\n    BMI 31.3 kg/m2 follows, with the height of entry[2]',
    );
    expect(stdout).toContain('known to this judgement  Patient  entry[3]');
    expect(stdout).toContain('bmi-agrees');
    expect(stdout).not.toContain('person-unknown');
    expect(exitCode).toBe(0);
  });

  test('resolves local references between the entries of a Bundle', async () => {
    const urn = 'urn:uuid:0b54b1a2-7d30-4f5e-9c7e-6b1f8f6f1c11';
    const weight = observationText('weight', '80.0', 'kg', { subject: { reference: urn } });
    const bundle = `{"resourceType":"Bundle","type":"transaction","entry":[
      {"fullUrl":"${urn}","resource":{"resourceType":"Patient","birthDate":"1960-04-01"},"request":{"method":"POST","url":"Patient"}},
      {"resource":${weight},"request":{"method":"POST","url":"Observation"}}]}`;
    const { issues } = await outcomeOf(['-'], { stdin: bundle });
    expect(issues.map(({ rule }) => rule)).not.toContain('subject-unresolvable');
    expect(issues.map(({ rule }) => rule)).not.toContain('person-unknown');
  });

  test('points into the Bundle from its root in the OperationOutcome', async () => {
    const bundle = bundleText('collection', [PATIENT, observationText('weight', '70.09999999999999999', 'kg')]);
    const { exitCode, outcome, issues } = await outcomeOf([writeIn(folder, 'digits.json', bundle)]);
    expect(outcome.resourceType).toBe('OperationOutcome');
    expect(issues.filter(({ severity }) => severity === 'error')).toMatchObject([
      { rule: 'precision-step', expression: ['Bundle.entry[1].resource.value.ofType(Quantity).value'] },
    ]);
    expect(issues[0]).toMatchObject({ severity: 'information', expression: ['Bundle.entry[0].resource'] });
    expect(exitCode).toBe(1);
  });

  test('names each file in the issues when there are several, and keeps them apart', async () => {
    const text = observationText('weight', '80.0', 'kg');
    const files = ['one.json', 'two.json'].map((name) => writeIn(folder, name, text));
    const { exitCode, issues } = await outcomeOf(files);
    for (const file of files) expect(issues.filter(({ diagnostics }) => diagnostics.startsWith(`${file}: `))).not.toHaveLength(0);
    expect(issues.map(({ rule }) => rule)).not.toContain('resent');
    expect(exitCode).toBe(0);
  });

  test('reads standard input for -', async () => {
    const { exitCode, stdout } = await check(['-'], { stdin: observationText('height', '5.9', 'ft') });
    expect(stdout).toContain('standard input');
    expect(stdout).toContain('unit-code');
    expect(exitCode).toBe(1);
  });

  test('never prints the name of a person', async () => {
    const bundle = bundleText('collection', [PATIENT, observationText('weight', '20.09414', 'kg'), observationText('weight', '0', 'kg')]);
    for (const format of ['text', 'json']) {
      const { stdout, stderr } = await check(['--format', format, '-'], { stdin: bundle });
      expect(stdout + stderr).not.toMatch(/Imagina|Invented/);
    }
  });

  test('uses no colours where nobody sees them', async () => {
    const { stdout } = await check(['-'], { stdin: observationText('weight', '0', 'kg'), env: { CI: '1' } });
    expect(stdout).not.toContain('\u001B');
  });

  test('keeps control characters of a file away from the terminal', async () => {
    const { stdout } = await check(['-'], { stdin: observationText('weight', '80.0', 'kg', { 'odd\u009B31m': 1 }) });
    expect(stdout).toContain('refused');
    expect(stdout).not.toContain('\u009B');
  });

  test('judges by the policy that is given', async () => {
    const policy = writeIn(folder, 'metric.json', '{"metricOnly":true}');
    const text = observationText('weight', '154.5', '[lb_av]');
    expect((await check(['-'], { stdin: text })).exitCode).toBe(0);
    const { exitCode, stdout } = await check(['--policy', policy, '-'], { stdin: text });
    expect(stdout).toContain('metric-only');
    expect(exitCode).toBe(1);
  });

  test('judges as of the instant that is given', async () => {
    const stdin = observationText('weight', '80.0', 'kg');
    const { stdout } = await steelyard(['check', '--now', '2026-03-01T00:00:00+01:00', '-'], { stdin });
    expect(stdout).toContain('time-future');
  });
});

describe('steelyard check exits 2', () => {
  test.each([
    ['a file that is not there', [`${folder}/absent.json`], '', 'cannot be read (ENOENT)'],
    ['a text that is not JSON', ['-'], '{"resourceType":"Observation",', 'not acceptable JSON'],
    [
      'a member that is there twice',
      ['-'],
      '{"resourceType":"Observation","status":"final","status":"final"}',
      'a member name appears twice',
    ],
    ['a type that is not judged', ['-'], '{"resourceType":"Patient","id":"p1"}', 'neither an Observation nor a Bundle'],
    ['an array', ['-'], '[]', 'neither an Observation nor a Bundle'],
  ])('for %s', async (_, args, stdin, problem) => {
    const { exitCode, stdout } = await check(args, { stdin });
    expect(stdout).toContain(problem);
    expect(exitCode).toBe(2);
    const json = await outcomeOf(args, { stdin });
    expect(json.issues).toHaveLength(1);
    expect(json.issues[0]?.severity).toMatch(/fatal|error/);
    expect(json.exitCode).toBe(2);
  });

  test.each([
    ['an option that is not known', ['--fomat', 'json', '-'], 'Did you mean --format?'],
    ['a format that is not known', ['--format', 'xml', '-'], 'Allowed choices are text, json'],
    ['no file', [], 'missing required argument'],
    ['an instant without an offset', ['--now', '2026-03-02T12:00:00', '-'], '--now must be'],
    ['growth tables that are not there', ['--growth-tables', `${folder}/none`, '-'], '--growth-tables: '],
    ['a policy file that is not there', ['--policy', `${folder}/none.json`, '-'], '--policy cannot be read'],
  ])('for %s', async (_, args, sentence) => {
    const { exitCode, stdout, stderr } = await steelyard(['check', ...args]);
    expect(stderr).toContain(sentence);
    expect(stderr).not.toMatch(/^ +at /m);
    expect(stdout).toBe('');
    expect(exitCode).toBe(2);
  });
});
