/** Commands of the service as an operator calls them, each a process of its own: to be killed too, and with a clock set wrong. */
import { spawn } from 'node:child_process';
import { once } from 'node:events';
import { join } from 'node:path';
import { built } from '../built.ts';

const ROOT = join(import.meta.dirname, '../..');
const CLOCK = built('tests/faults/shifted-clock.ts');

export interface CommandResult {
  /** Null when it was killed. */
  readonly code: number | null;
  readonly out: string;
  readonly err: string;
}

export interface Command {
  /** Resolves when it is gone, however it ended. */
  readonly result: Promise<CommandResult>;
  isOver(): boolean;
  /** SIGKILL. */
  kill(): void;
}

export interface CommandOptions {
  /** `STEELYARD_…` settings. */
  readonly environment: Readonly<Record<string, string>>;
  /** How far its clock is ahead of ours. */
  readonly shiftMs?: number;
}

/** Starts `steelyard` with these arguments. */
export function command(args: readonly string[], { environment, shiftMs = 0 }: CommandOptions): Command {
  const child = spawn(process.execPath, ['--import', CLOCK, built('src/cli/main.ts'), ...args], {
    cwd: ROOT,
    env: { PATH: process.env['PATH'], FAULTS_CLOCK_SHIFT_MS: String(shiftMs), ...environment },
    stdio: ['ignore', 'pipe', 'pipe'],
  });
  const kill = (): void => void child.kill('SIGKILL');
  process.once('exit', kill);
  let [out, err, over] = ['', '', false];
  child.stdout.on('data', (chunk: Buffer) => (out += chunk.toString()));
  child.stderr.on('data', (chunk: Buffer) => (err += chunk.toString()));
  const result = once(child, 'close').then(([code]) => {
    over = true;
    process.off('exit', kill);
    return { code: code as number | null, out, err };
  });
  return { result, kill, isOver: () => over };
}
