/**
 * The service as a process of its own, started as `steelyard serve` starts it: to be killed, stopped
 * for a while, restarted on its port, and to have its clock set wrong.
 */
import { spawn, type ChildProcess } from 'node:child_process';
import { once } from 'node:events';
import { join } from 'node:path';
import { built } from '../built.ts';
import type { Manner, StorageErrors } from './failing-storage.ts';

const ROOT = join(import.meta.dirname, '../..');
const PRELOADED = (['shifted-clock.ts', 'failing-storage.ts'] as const).flatMap((file) => ['--import', built(`tests/faults/${file}`)]);
const ENTRY = built('src/cli/main.ts');

/** Whatever ends this process, its services end too, each by its own id. */
const alive = new Set<ChildProcess>();
process.once('exit', () => alive.forEach((child) => child.kill('SIGKILL')));

export interface LaunchOptions {
  /** `STEELYARD_…` settings. */
  readonly environment: Readonly<Record<string, string>>;
  /** How far its clock is ahead of ours. */
  readonly shiftMs?: number;
  /** A program that runs the service, such as `setpriv` or a shell with limits; must end in an exec of its arguments. */
  readonly under?: readonly [command: string, ...args: string[]];
  /** SIGKILL so long after its start, wherever it is then. */
  readonly killAfterMs?: number;
}

export interface Exit {
  readonly code: number | null;
  readonly signal: NodeJS.Signals | null;
}

/** The service did not come to listen. `exit.code` and what it said on standard error tell why. */
export class NotStarted extends Error {
  readonly exit: Exit;
  readonly err: string;
  constructor(exit: Exit, err: string) {
    super(`the service ended with ${exit.code ?? exit.signal ?? '?'} before it listened: ${err.slice(0, 300)}`);
    this.exit = exit;
    this.err = err;
  }
}

export class ServiceProcess {
  readonly url: string;
  readonly exited: Promise<Exit>;
  /** What the storage errors that it met left behind, in their order; see `failing-storage.ts`. */
  readonly storageErrors: Manner[] = [];
  readonly #child: ChildProcess;
  readonly #output: Output;

  private constructor(child: ChildProcess, output: Output, exited: Promise<Exit>, url: string) {
    this.#child = child;
    this.#output = output;
    this.exited = exited;
    this.url = url;
    child.on('message', ({ storageError }: { readonly storageError?: Manner }) => {
      if (storageError !== undefined) this.storageErrors.push(storageError);
    });
  }

  /** Resolves once it listens. Throws NotStarted. */
  static async launch({ environment, shiftMs = 0, under, killAfterMs }: LaunchOptions): Promise<ServiceProcess> {
    const node = [process.execPath, ...PRELOADED, ENTRY, 'serve'];
    const [command = '', ...args] = [...(under ?? []), ...node];
    const child = spawn(command, args, {
      cwd: ROOT,
      env: { PATH: process.env['PATH'], STEELYARD_PORT: '0', FAULTS_CLOCK_SHIFT_MS: String(shiftMs), ...environment },
      stdio: ['ignore', 'pipe', 'pipe', 'ipc'],
    });
    alive.add(child);
    if (killAfterMs !== undefined) setTimeout(() => child.kill('SIGKILL'), killAfterMs);
    const output = new Output(child);
    // once its output is read to the end, too
    const exited = once(child, 'close').then(([code, signal]) => {
      alive.delete(child);
      return { code: code as Exit['code'], signal: signal as Exit['signal'] };
    });
    const url = await Promise.race([output.listeningUrl(), exited]);
    if (typeof url === 'string') return new ServiceProcess(child, output, exited, url);
    throw new NotStarted(url, output.err);
  }

  get pid(): number {
    return this.#child.pid as number;
  }

  /** What it wrote to standard output and standard error so far. */
  get said(): string {
    return `${this.#output.out}${this.#output.err}`;
  }

  /** SIGKILL; resolves when it is gone. */
  async kill(): Promise<void> {
    this.#child.kill('SIGKILL');
    await this.exited;
  }

  /** SIGTERM; resolves with its exit code, or `SIGKILL` when that was needed after `boundMs`. */
  async stop(boundMs = 15_000): Promise<number | string | null> {
    this.#child.kill('SIGTERM');
    const cutOff = setTimeout(() => this.#child.kill('SIGKILL'), boundMs);
    const { code, signal } = await this.exited;
    clearTimeout(cutOff);
    return code ?? signal;
  }

  pause(): void {
    this.#child.kill('SIGSTOP');
  }

  resume(): void {
    this.#child.kill('SIGCONT');
  }

  /** Sets its clock so far ahead of ours, from now on. */
  shiftClock(shiftMs: number): void {
    if (this.#child.connected) this.#child.send({ shiftMs }, () => undefined);
  }

  /** Calls of its storage fail from now on, when it was started with FAULTS_STORAGE_ERRORS. */
  failStorage(storageErrors: StorageErrors): void {
    this.#child.send({ storageErrors }, () => undefined);
  }
}

class Output {
  out = '';
  err = '';
  readonly #child: ChildProcess;

  constructor(child: ChildProcess) {
    this.#child = child;
    child.stdout?.on('data', (chunk: Buffer) => (this.out += chunk.toString()));
    child.stderr?.on('data', (chunk: Buffer) => (this.err += chunk.toString()));
  }

  async listeningUrl(): Promise<string> {
    for (;;) {
      const line = this.out
        .split('\n')
        .slice(0, -1)
        .find((text) => text.includes('"msg":"listening"'));
      if (line !== undefined) return String((JSON.parse(line) as { readonly url: string }).url);
      await once(this.#child.stdout as NonNullable<ChildProcess['stdout']>, 'data');
    }
  }
}
