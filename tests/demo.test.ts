import { readdirSync } from 'node:fs';
import { describe, expect, test } from 'vitest';
import { passingFolder, runScript, writeIn } from './cli/command.ts';

const folder = passingFolder();
const runDemo = (args: readonly string[], env: Readonly<Record<string, string>> = {}) =>
  runScript('examples/demo.ts', args, { env: { TMPDIR: folder, ...env } });

const leftBehind = () => readdirSync(folder).filter((name) => name.startsWith('steelyard-demo-'));

describe('the demonstration', () => {
  test('shows the day in tables and exits 0 when everything came out as expected', async () => {
    const { exitCode, stdout, stderr } = await runDemo(['--once']);
    expect(stderr).toBe('');
    expect(stdout).toContain('45 of 45 readings answered');
    expect(stdout).toMatch(/^Bed 1 +standing scale .* kg +[\d.]+ cm +([\d.]+) +\1$/m);
    for (const rule of ['tare-arithmetic', 'mixup-pounds-as-kilograms', 'scale-coarse', 'device-quarantined'])
      expect(stdout).toContain(rule);
    for (const rule of ['precision-step', 'time-future', 'unit-dimension', 'value-impossible', 'subject-display-only'])
      expect(stdout).toContain(rule);
    expect(stdout).toContain('Nothing lost: 34 accepted = 34 forwarded + 0 waiting.');
    expect(stdout).toContain('34 of 34 readings have exactly the digits that were sent');
    expect(stdout).toContain('Everything came out as expected.');
    expect(stdout.split('\n').filter((line) => line.length > 100)).toEqual([]);
    expect(leftBehind()).toEqual([]);
    expect(exitCode).toBe(0);
  });

  test('exits 1 and names what differs when a policy decides otherwise', async () => {
    const policy = writeIn(folder, 'policy.json', '{"rule.person-unknown":"hold","metricOnly":true}');
    const { exitCode, stdout } = await runDemo(['--once'], { STEELYARD_POLICY: policy });
    expect(stdout).toContain('Not as expected:');
    expect(stdout).toMatch(/Bed 2, [\d.]+ in \(stadiometer in inches\): expected accepted, got refused by metric-only/);
    expect(stdout).toMatch(/Bed 7, [\d.]+ cm \(stadiometer\): expected accepted, got held by person-unknown/);
    expect(stdout).toMatch(/BMI of weight harbourlight-1-\w+-2-2 at the EHR: expected [\d.]+, found none/);
    expect(exitCode).toBe(1);
  });

  test('keeps running otherwise, says where to look, and leaves nothing behind when it is ended', async () => {
    const { exitCode, stdout } = await runScript('examples/demo.ts', [], { env: { TMPDIR: folder }, endAfter: 'Still running' });
    expect(stdout).toMatch(/^ {2}http:\/\/127\.0\.0\.1:\d+\/rules {2}/m);
    expect(exitCode).toBe(0);
    expect(leftBehind()).toEqual([]);
  });

  test('leaves nothing behind when it is ended in the middle of the day', async () => {
    const { exitCode } = await runScript('examples/demo.ts', ['--once'], { env: { TMPDIR: folder }, endAfter: 'Harbourlight' });
    expect(exitCode).toBe(130);
    expect(leftBehind()).toEqual([]);
  });

  test('exits 2 for an argument that it does not know', async () => {
    expect(await runDemo(['--twice'])).toMatchObject({ exitCode: 2, stdout: '' });
  });
});
