/** The tasks of the runbook, done by its very lines, in a shell, on a service that runs. */
import { execFile, spawnSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { promisify } from 'node:util';
import { describe, expect, test } from 'vitest';
import { send } from '../http/edge.ts';
import { ROOT } from './alert-rules.ts';
import { startRunning, type RunningService } from './running.ts';

const hasShell = spawnSync('bash', ['-c', 'command -v curl sed']).status === 0;

/** Runs a shell block of a page and returns what it printed. */
async function follow(page: string, block: number, { port, folder }: RunningService): Promise<string> {
  const text = readFileSync(join(ROOT, 'docs/runbook', page), 'utf8');
  const script = [...text.matchAll(/```sh\n([\s\S]*?)```/g)][block]?.[1];
  if (script === undefined) throw new RangeError(`${page} has no shell block ${block}`);
  const env = {
    PATH: process.env['PATH'],
    STEELYARD: `http://127.0.0.1:${port}`,
    AUTH: 'X-Nobody-Has-To-Show: a-token',
    SCALE: 'scale-4',
    SINCE: '2026-11-01',
  };
  return (await promisify(execFile)('bash', ['-euc', script], { cwd: folder, env })).stdout;
}

async function startWard(): Promise<RunningService> {
  const service = await startRunning();
  const headers = { 'Content-Type': 'application/fhir+json' };
  const body =
    '{"resourceType":"Device","id":"scale-4","status":"active","deviceName":[{"name":"Invented scale 4","type":"user-friendly-name"}]}';
  expect((await send(service.port, 'PUT', '/fhir/Device/scale-4', { headers, body })).status).toBe(201);
  return service;
}

describe.skipIf(!hasShell)('by the runbook', () => {
  test('a scale is taken out of use: what it measures from now on waits', async () => {
    const service = await startWard();
    expect((await service.weigh('70.0', { device: 'scale-4' })).status).toBe(201);
    await follow('quarantine-a-scale.md', 1, service);
    expect(JSON.parse((await service.get('/fhir/Device/scale-4')).text)).toMatchObject({ status: 'inactive', deviceName: [{}] });
    service.clock.advance(3_600_000);
    expect((await service.weigh('70.1', { device: 'scale-4' })).status).toBe(202);
    expect(await follow('quarantine-a-scale.md', 0, service)).toContain('"total"');
  });

  test('the readings of a scale are found and recalled, once', async () => {
    const service = await startWard();
    await service.weigh('70.0', { device: 'scale-4' });
    await service.weigh('80.0', { person: 'bo-invented', device: 'scale-4' });
    expect(await follow('recall-a-scale.md', 0, service)).toContain('"searchset"');
    const marked = (text: string): unknown =>
      (JSON.parse(text) as { parameter: { name: string; valueInteger?: number }[] }).parameter.find(({ name }) => name === 'marked')
        ?.valueInteger;
    expect(marked(await follow('recall-a-scale.md', 1, service))).toBe(2);
    expect(marked(await follow('recall-a-scale.md', 1, service))).toBe(0);
  });
});
