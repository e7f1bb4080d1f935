/**
 * docs/integrator-guide.md, run: its shell blocks in their order in one shell, against the real
 * service. Every line that the guide shows below a block must have come back, in that order.
 */
import { spawn } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { startService, type Service } from './service.ts';

interface Step {
  readonly commands: string;
  readonly shown: readonly string[];
  readonly notRun?: string;
}

const guide = readFileSync('docs/integrator-guide.md', 'utf8');
const steps: Step[] = [...guide.matchAll(/(?:<!-- not run here: ([^\n]+) -->\n)?```sh\n([\s\S]*?)```\n(?:```text\n([\s\S]*?)```)?/g)].map(
  ([, notRun, commands = '', shown]) => ({
    commands,
    shown: (shown ?? '').split('\n').filter((line) => line !== ''),
    ...(notRun !== undefined && { notRun }),
  }),
);
const run = steps.filter(({ notRun }) => notRun === undefined);
const END = '--- end of step ---';

let service: Service;
let outputs: string[];
beforeAll(async () => {
  service = await startService({ now: () => Date.now() });
  const script = run.map(({ commands }) => `${commands}\necho '${END}'\n`).join('');
  const child = spawn('bash', ['-s'], { env: { PATH: process.env['PATH'], STEELYARD: service.base.replace(/\/fhir$/, '') } });
  outputs = await new Promise((resolve, reject) => {
    let said = '';
    for (const stream of [child.stdout, child.stderr]) stream.setEncoding('utf8').on('data', (text: string) => (said += text));
    child.once('error', reject);
    child.once('close', () => resolve(said.split(`${END}\n`)));
    child.stdin.end(script);
  });
});
afterAll(() => service.close());

describe('the integrator guide', () => {
  test('has a step for most of the way, and says of each block what came back or why it is not run', () => {
    expect(run.length).toBeGreaterThanOrEqual(12);
    for (const { commands, shown, notRun } of steps)
      expect([commands, shown.length > 0, notRun !== undefined]).toEqual([commands, notRun === undefined, notRun !== undefined]);
  });

  test.each(run.map(({ commands, shown }, index) => ({ index, shown, first: commands.split('\n')[0] })))(
    'step with `$first` comes out as it says',
    ({ index, shown }) => {
      const output = outputs[index] ?? '';
      let at = 0;
      for (const line of shown)
        for (const piece of line.split('…').filter((text) => text.trim() !== '')) {
          const found = output.indexOf(piece.trim(), at);
          expect(found, `${piece} is not in, or not in its place in:\n${output}`).toBeGreaterThanOrEqual(0);
          at = found + piece.trim().length;
        }
    },
  );

  test('links to what is there', () => {
    for (const [, target = ''] of guide.matchAll(/\]\((?!https?:)([^)#]+)\)/g))
      expect(readFileSync(`docs/${target}`, 'utf8').length, target).toBeGreaterThan(0);
  });
});
