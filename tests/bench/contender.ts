/** A server under test as a process of its own, on a fresh store in a temporary folder. */
import { spawn, type ChildProcess } from 'node:child_process';
import { mkdtemp, rm } from 'node:fs/promises';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { createInterface } from 'node:readline';

export interface Contender {
  readonly name: string;
  start(): Promise<Running>;
}

export interface Running {
  readonly url: string;
  stop(): Promise<void>;
}

const ROOT = join(import.meta.dirname, '..', '..');

/** Bare express and SQLite; see `baseline.ts`. */
export function baseline(name: string, commit: 'each' | 'group'): Contender {
  const script = join(import.meta.dirname, 'baseline.ts');
  return {
    name,
    start: () =>
      launch(
        (folder) => [process.execPath, ['--import', 'tsx', script, join(folder, 'bench.db'), commit], {}],
        (line) => {
          const { port } = JSON.parse(line) as { port?: number };
          return port === undefined ? undefined : `http://127.0.0.1:${port}/fhir`;
        },
      ),
  };
}

/** The service as it is delivered: built files, its own store, nothing to forward to. */
export function service(name: string): Contender {
  return {
    name,
    start: () =>
      launch(
        (folder) => [
          process.execPath,
          [join(ROOT, 'bin', 'steelyard.js'), 'serve'],
          {
            STEELYARD_PORT: '0',
            STEELYARD_DATABASE: join(folder, 'bench.db'),
            STEELYARD_LOG_LEVEL: 'info',
            STEELYARD_RATE_LIMIT: '1000000',
          },
        ],
        (line) => {
          const { msg, url } = JSON.parse(line) as { msg?: string; url?: string };
          return msg === 'listening' && url !== undefined ? `${url.replace(/\/(fhir)?$/, '')}/fhir` : undefined;
        },
      ),
  };
}

type Command = readonly [file: string, args: readonly string[], environment: Readonly<Record<string, string>>];

async function launch(command: (folder: string) => Command, readUrl: (line: string) => string | undefined): Promise<Running> {
  const folder = await mkdtemp(join(tmpdir(), 'steelyard-bench-'));
  const [file, args, environment] = command(folder);
  const child = spawn(file, args, {
    env: { PATH: process.env['PATH'] ?? '', ...environment },
    stdio: ['ignore', 'pipe', 'inherit'],
    cwd: ROOT,
  });
  const url = await new Promise<string>((resolve, reject) => {
    child.once('exit', (code) => reject(new Error(`${file} ended with ${String(code)} before it listened`)));
    const lines = createInterface({ input: child.stdout });
    lines.on('line', (line) => {
      const found = readUrl(line);
      if (found !== undefined) resolve(found); // further lines are read and dropped, so the pipe never fills
    });
  });
  return { url, stop: () => stop(child, folder) };
}

async function stop(child: ChildProcess, folder: string): Promise<void> {
  const ended = new Promise((resolve) => child.once('exit', resolve));
  child.kill('SIGTERM');
  await ended;
  await rm(folder, { recursive: true, force: true });
}
