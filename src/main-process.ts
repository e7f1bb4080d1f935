/**
 * The service as a process: settings from the environment, signals, exit codes.
 */
import { CannotListen } from './cannot-listen.ts';
import { ConfigError, EXIT_BAD_CONFIG, loadConfig } from './config.ts';
import { createLog, type Log } from './log.ts';
import { start, type Running } from './main.ts';
import { StoreNotOpened } from './open-store.ts';
import { StoreUnavailable } from './ports.ts';

const EXIT_FAILED = 1;

/**
 * Runs until SIGTERM or SIGINT, reads the policy file again on SIGHUP, and sets the exit code: 0 after a graceful stop, 78 for settings
 * that are wrong (a sentence each on standard error), 1 when the start failed otherwise.
 */
export async function serve(environment?: Readonly<Record<string, string | undefined>>): Promise<void> {
  try {
    const config = loadConfig(environment);
    const log = createLog(config.logLevel);
    // the default would print the error's message, which can quote what was sent
    process.once('uncaughtException', (error) => {
      log.fault(error, { during: 'process' });
      process.exit(EXIT_FAILED);
    });
    const reloadWhenAsked = onHangup();
    // before the start: whoever reads that it listens may ask it to stop that very moment
    const askedToStop = nextSignal();
    const running = await start(config, { log });
    reloadWhenAsked(running);
    log.stopping(await askedToStop);
    await stopOrFail(running, log);
  } catch (error) {
    const { exitCode, sentences } = explainFailedStart(error);
    for (const sentence of sentences) process.stderr.write(`${sentence}\n`);
    process.exitCode = exitCode;
  }
}

/**
 * Listens for SIGHUP from now on: by default it would end the process, also while it starts. What
 * was asked before the service runs is done once it does.
 */
function onHangup(): (running: Running) => void {
  let reload: (() => void) | undefined;
  let askedEarly = false;
  process.on('SIGHUP', () => {
    if (reload) reload();
    else askedEarly = true;
  });
  return (running) => {
    reload = () => running.reloadPolicy();
    if (askedEarly) reload();
  };
}

/** A second signal finds no listener and ends the process at once, also one whose start hangs. */
function nextSignal(): Promise<string> {
  return new Promise((resolve) => {
    for (const signal of ['SIGTERM', 'SIGINT'] as const) process.once(signal, resolve);
  });
}

async function stopOrFail(running: Running, log: Log): Promise<void> {
  try {
    await running.stop();
    process.exit(0);
  } catch (error) {
    log.fault(error, { during: 'stop' });
    process.exit(EXIT_FAILED);
  }
}

/** What to tell the person who started it. */
function explainFailedStart(error: unknown): { readonly exitCode: number; readonly sentences: readonly string[] } {
  if (error instanceof ConfigError) return { exitCode: EXIT_BAD_CONFIG, sentences: error.problems };
  if (error instanceof StoreNotOpened) {
    const mayPass = error.reason === 'in-use' || error.reason === 'unreachable';
    const exitCode = mayPass ? EXIT_FAILED : EXIT_BAD_CONFIG;
    return { exitCode, sentences: [`STEELYARD_DATABASE: ${error.message}.`] };
  }
  if (error instanceof StoreUnavailable) {
    const cause = codeOf(error.cause) ?? 'unknown reason';
    const remedy = 'see that nobody else holds it and that its disk answers and has room, then start again';
    return { exitCode: EXIT_FAILED, sentences: [`STEELYARD_DATABASE: this store was opened and then failed; ${remedy} (${cause}).`] };
  }
  if (error instanceof CannotListen)
    return { exitCode: EXIT_FAILED, sentences: [`${error.settings}: cannot listen there (${error.code ?? 'unknown reason'}).`] };
  const { code, syscall } = error instanceof Error ? (error as NodeJS.ErrnoException) : {};
  if (syscall === 'listen') {
    return { exitCode: EXIT_FAILED, sentences: [`STEELYARD_HOST and STEELYARD_PORT: cannot listen there (${code ?? 'unknown reason'}).`] };
  }
  return { exitCode: EXIT_FAILED, sentences: [error instanceof Error ? (error.stack ?? error.message) : 'The service could not start.'] };
}

function codeOf(error: unknown): string | undefined {
  return error instanceof Error && 'code' in error && typeof error.code === 'string' ? error.code : undefined;
}
