/**
 * The demonstration: the service on an embedded store, a stand-in EHR that it forwards to, and an
 * invented ward day sent by simulated gateways; then what became of it.
 *
 * `--once` ends after the tables: 0 when everything came out as the built-in policy ought to make
 * it, 1 when not. `STEELYARD_POLICY` is heeded, so that a policy of one's own can be looked at.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { setTimeout as pause } from 'node:timers/promises';
import { parseArgs } from 'node:util';
import { startProgress } from '../src/cli/progress.ts';
import { EXIT, processTerminal, type Terminal } from '../src/cli/terminal.ts';
import { loadConfig } from '../src/config.ts';
import { start } from '../src/main.ts';
import { openStore } from '../src/open-store.ts';
import { arrivalsAt, pullBmi } from './demo/arrivals.ts';
import { balanceOf } from './demo/balance.ts';
import { printDay, printEnd } from './demo/report.ts';
import { startReceiver, type Receiver } from './receiver/receiver.ts';
import { sendWardDay, type SendingOptions } from './simulator/gateway.ts';
import { wardDay } from './simulator/ward-day.ts';

const SEED = 1;
/** Slow enough to be watched, when somebody watches. */
const PACE_MS = process.stdout.isTTY ? 60 : 0;
/** As shells number an end by Ctrl+C. */
const EXIT_INTERRUPTED = 130;
const LONGEST_DRAIN_MS = 30_000;

async function demonstrate(isOnce: boolean, terminal: Terminal): Promise<number> {
  const interrupted = nextSignal();
  const folder = mkdtempSync(join(tmpdir(), 'steelyard-demo-'));
  const database = join(folder, 'demo.db');
  const receiver = await startReceiver({ port: 0 });
  try {
    const service = await start(
      loadConfig({
        STEELYARD_PORT: '0',
        STEELYARD_DATABASE: database,
        STEELYARD_EHR_URL: receiver.url,
        STEELYARD_LOG_LEVEL: 'silent',
        STEELYARD_POLICY: process.env['STEELYARD_POLICY'],
      }),
    );
    try {
      const exitCode = await Promise.race([runDay(service.url, database, receiver, terminal), interrupted]);
      if (isOnce || exitCode === EXIT_INTERRUPTED) return exitCode;
      terminal.print('', ...addresses(service.url, receiver.url, terminal), '', 'Still running; press Ctrl+C to end it.');
      await interrupted;
      return EXIT.ok;
    } finally {
      await service.stop();
    }
  } finally {
    await receiver.close();
    rmSync(folder, { recursive: true, force: true });
  }
}

/** Resolves at the first signal to end; what was begun is then closed and removed in order. */
function nextSignal(): Promise<number> {
  return new Promise((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => resolve(EXIT_INTERRUPTED));
  });
}

async function runDay(url: string, database: string, receiver: Receiver, terminal: Terminal): Promise<number> {
  const base = `${url}/fhir`;
  const day = wardDay({ seed: SEED, nowMs: Date.now() });
  terminal.print(
    '',
    terminal.tint('bold', 'A day on Harbourlight Ward') + terminal.tint('dim', '  invented people, invented scales; nothing here is real'),
    '',
    'Scale gateways send to Steelyard, Steelyard forwards to a small server that stands in for the EHR.',
    '',
  );
  const progress = startProgress(day.readings.length, 'readings answered', process.stdout);
  const onAnswer: SendingOptions['onAnswer'] = ({ reading }, done) => {
    progress.step(done, `${reading.place}: ${reading.story}`);
  };
  const answers = await sendWardDay(day, { base, paceMs: PACE_MS, onAnswer }).finally(() => progress.end());
  const waiting = await drained(database);
  const outcome = { day, answers, arrivals: arrivalsAt(receiver), pulled: await pullBmi(base, answers), waiting };
  const balance = balanceOf(outcome);
  printDay(outcome, balance, terminal);
  printEnd(balance, terminal);
  return balance.differences.length === 0 ? EXIT.ok : EXIT.found;
}

/** Waits until nothing waits any more, looking in from outside as an operator does; returns what is left. */
async function drained(database: string): Promise<number> {
  const store = await openStore(database, { clock: { nowMs: () => Date.now() }, exclusive: false });
  try {
    const until = Date.now() + LONGEST_DRAIN_MS;
    for (;;) {
      const { waiting, parked } = await store.outbox.counts();
      if (waiting === 0 || Date.now() > until) return waiting + parked;
      await pause(50);
    }
  } finally {
    await store.close();
  }
}

function addresses(url: string, ehr: string, { tint }: Terminal): string[] {
  const rows = [
    [`${url}/review`, 'the page for held readings: look, and decide'],
    [`${url}/rules`, 'every rule in words, with its thresholds and source'],
    [`${url}/fhir/Observation?code=39156-5`, 'the BMI, as an EHR pulls them'],
    [`${url}/fhir/Observation?status=preliminary`, 'the held readings'],
    [`${ehr}/Observation`, 'what the stand-in EHR holds'],
  ] as const;
  const width = Math.max(...rows.map(([address]) => address.length));
  return ['Look around:', ...rows.map(([address, what]) => `  ${address.padEnd(width)}  ${tint('dim', what)}`)];
}

const USAGE = 'usage: npm run demo [-- --once]';

function readArguments(): { readonly once: boolean } | undefined {
  try {
    const { values } = parseArgs({ options: { once: { type: 'boolean', default: false } } });
    return values;
  } catch {
    return undefined;
  }
}

const given = readArguments();
if (given === undefined) {
  process.stderr.write(`${USAGE}\n`);
  process.exitCode = EXIT.usage;
} else {
  process.exitCode = await demonstrate(given.once, processTerminal());
}
