import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { connect } from 'node:net';
import { mkdtempSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, describe, expect, test } from 'vitest';
import { inventedFile } from './core/growth/invented-tables.ts';
import { send } from './http/edge.ts';

const folder = mkdtempSync(join(tmpdir(), 'steelyard-main-'));
const stops: (() => void)[] = [];
afterEach(() => stops.splice(0).forEach((stop) => stop()));

/** The service as a process of its own, as `steelyard serve` runs it. */
function launch(environment: Readonly<Record<string, string>>) {
  const script = `import { serve } from ${JSON.stringify(join(import.meta.dirname, '../src/main-process.ts'))}; await serve();`;
  const child = spawn(process.execPath, ['--import', 'tsx', '--input-type=module', '-e', script], {
    env: { PATH: process.env['PATH'], STEELYARD_PORT: '0', STEELYARD_DATABASE: join(folder, 'ward.db'), ...environment },
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  stops.push(() => child.kill('SIGKILL'));
  let out = '';
  let err = '';
  child.stdout.on('data', (chunk: Buffer) => (out += chunk.toString()));
  child.stderr.on('data', (chunk: Buffer) => (err += chunk.toString()));
  const exited = once(child, 'exit').then(([code]) => ({ code: code as number | null, out, err }));
  const listening = async (): Promise<{ url: string; line: Record<string, unknown> }> => {
    while (!out.includes('\n'))
      await Promise.race([once(child.stdout, 'data'), exited.then(({ err: why }) => Promise.reject(new Error(why)))]);
    const line = JSON.parse(out.split('\n', 1)[0] ?? '') as Record<string, unknown>;
    return { url: String(line['url']), line };
  };
  return { child, exited, listening, soFar: () => out };
}

describe('the process', () => {
  test('says where it listens, serves, and stops with 0 on SIGTERM, finishing what is in flight', async () => {
    const { child, exited, listening, soFar } = launch({});
    const { url, line } = await listening();
    expect(line).toMatchObject({ msg: 'listening', store: 'sqlite', policy: expect.stringMatching(/^built-in-[0-9a-f]{12}$/) as string });
    const port = Number(new URL(url).port);
    expect((await send(port, 'GET', '/health/ready')).status).toBe(200);

    // a request whose last byte comes after the signal is still answered
    const socket = connect(port, '127.0.0.1');
    const body = '{"resourceType":"Observation"}';
    socket.write(
      `POST /fhir/Observation/$validate HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: ${body.length}\r\n\r\n`,
    );
    socket.write(body.slice(0, 5));
    await send(port, 'GET', '/health/live');
    child.kill('SIGTERM');
    while (!soFar().includes('"msg":"stopping"')) await once(child.stdout, 'data');
    socket.write(body.slice(5));
    const [answer] = (await once(socket, 'data')) as [Buffer];
    expect(answer.toString()).toMatch(/^HTTP\/1\.1 200 /);
    const { code, out, err } = await exited;
    expect([code, err]).toEqual([0, '']);
    expect(out).toContain('"msg":"stopped"');
  });

  test('ends with 78 and a sentence for each wrong setting', async () => {
    const { code, err, out } = await launch({ STEELYARD_PORT: 'x', STEELYARD_AUTH: 'jwt' }).exited;
    expect([code, out, err.trim().split('\n').length]).toEqual([78, '', 2]);
  });

  test('ends with 78 for a policy file with an unknown name', async () => {
    const file = join(folder, 'policy.json');
    writeFileSync(file, '{"nonsense":1}');
    const { code, err } = await launch({ STEELYARD_POLICY: file }).exited;
    expect([code, err]).toEqual([78, 'STEELYARD_POLICY: "nonsense": no setting has this name.\n']);
  });

  test('ends with a sentence when the store cannot be opened or the port is taken', async () => {
    const noFolder = await launch({ STEELYARD_DATABASE: join(folder, 'missing', 'ward.db') }).exited;
    expect([noFolder.code, noFolder.err.startsWith('STEELYARD_DATABASE: ')]).toEqual([78, true]);
    const first = launch({ STEELYARD_DATABASE: join(folder, 'first.db') });
    const port = new URL((await first.listening()).url).port;
    const second = await launch({ STEELYARD_DATABASE: join(folder, 'second.db'), STEELYARD_PORT: port }).exited;
    expect([second.code, second.err]).toEqual([1, 'STEELYARD_HOST and STEELYARD_PORT: cannot listen there (EADDRINUSE).\n']);
    const sameStore = await launch({ STEELYARD_DATABASE: join(folder, 'first.db') }).exited;
    expect([sameStore.code, sameStore.err]).toEqual([1, expect.stringMatching(/^STEELYARD_DATABASE: another running process/)]);
  });

  test('loads the growth tables that it is given and says their version', async () => {
    const tables = mkdtempSync(join(folder, 'growth-'));
    const { name, text } = inventedFile('wtage.csv');
    writeFileSync(join(tables, name), text);
    const { child, exited, listening } = launch({ STEELYARD_GROWTH_TABLES: tables, STEELYARD_DATABASE: join(tables, 'ward.db') });
    expect((await listening()).line).toMatchObject({ growthTables: expect.stringMatching(/^[0-9a-f]{12}$/) as string });
    child.kill('SIGTERM');
    expect((await exited).code).toBe(0);
  });

  test('ends with 78 and a sentence for growth tables that cannot be used', async () => {
    const tables = mkdtempSync(join(folder, 'growth-'));
    writeFileSync(join(tables, 'wtage.csv'), 'Sex,Agemos,L,M,S\n1,24,x,12,0.1\n');
    const { code, err } = await launch({ STEELYARD_GROWTH_TABLES: tables }).exited;
    expect(code).toBe(78);
    expect(err).toMatch(/^STEELYARD_GROWTH_TABLES: wtage\.csv, line \d+: /);
  });
});
