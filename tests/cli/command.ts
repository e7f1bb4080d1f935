/** Runs the real command line, and other scripts, as child processes; and files for them. */
import { spawn } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterAll } from 'vitest';
import { built } from '../built.ts';

const PROJECT = join(import.meta.dirname, '..', '..');

export interface Ran {
  readonly exitCode: number | null;
  readonly stdout: string;
  readonly stderr: string;
}

export interface Surroundings {
  readonly stdin?: string;
  readonly env?: Readonly<Record<string, string>>;
  /** Ends the child with SIGTERM once this was printed. */
  readonly endAfter?: string;
}

export function runScript(
  script: Parameters<typeof built>[0],
  args: readonly string[],
  { stdin = '', env = {}, endAfter }: Surroundings = {},
): Promise<Ran> {
  return new Promise((resolve, reject) => {
    const child = spawn(process.execPath, [built(script), ...args], {
      cwd: PROJECT,
      env: { ...withoutSettings(process.env), ...env },
    });
    const heard = { stdout: '', stderr: '' };
    child.stdout.setEncoding('utf8').on('data', (text: string) => {
      heard.stdout += text;
      if (endAfter !== undefined && heard.stdout.includes(endAfter)) child.kill('SIGTERM');
    });
    child.stderr.setEncoding('utf8').on('data', (text: string) => (heard.stderr += text));
    child.once('error', reject);
    child.once('close', (exitCode) => resolve({ exitCode, ...heard }));
    child.stdin.end(stdin);
  });
}

export function steelyard(args: readonly string[], surroundings?: Surroundings): Promise<Ran> {
  return runScript('src/cli/main.ts', args, surroundings);
}

/** The machine's own settings must not decide a test. */
function withoutSettings(env: NodeJS.ProcessEnv): NodeJS.ProcessEnv {
  return Object.fromEntries(Object.entries(env).filter(([name]) => !name.startsWith('STEELYARD_') && name !== 'FORCE_COLOR'));
}

/** A folder of this test file, gone after its tests. */
export function passingFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), 'steelyard-test-'));
  afterAll(() => rmSync(folder, { recursive: true, force: true }));
  return folder;
}

export function writeIn(folder: string, name: string, content: string): string {
  const file = join(folder, name);
  writeFileSync(file, content);
  return file;
}

export const NOW = '2026-03-02T12:00:00Z';

/** An Observation of an invented person as JSON text, the value with the digits that are given. */
export function observationText(
  of: 'weight' | 'height' | 'bmi',
  value: string,
  unit: string,
  more: Readonly<Record<string, unknown>> = {},
): string {
  const code = { weight: '29463-7', height: '8302-2', bmi: '39156-5' }[of];
  const members = {
    resourceType: 'Observation',
    status: 'final',
    category: [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'vital-signs' }] }],
    code: { coding: [{ system: 'http://loinc.org', code }] },
    subject: { reference: 'Patient/p1', display: 'Imagina Invented' },
    effectiveDateTime: '2026-03-02T08:00:00Z',
    ...more,
  };
  const quantity = `{"value":${value},"unit":${JSON.stringify(unit)},"system":"http://unitsofmeasure.org","code":${JSON.stringify(unit)}}`;
  return JSON.stringify(members).replace(/}$/, `,"valueQuantity":${quantity}}`);
}

export function bundleText(type: string, resources: readonly string[]): string {
  const entries = resources.map((resource) => `{"resource":${resource}}`);
  return `{"resourceType":"Bundle","type":"${type}","entry":[${entries.join(',')}]}`;
}
