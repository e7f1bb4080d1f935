/**
 * `steelyard examine-gateway`: stands in front of a service, brings about what services and networks
 * bring about, and says what the gateway that posts to it does right and wrong.
 */
import { setTimeout as pause } from 'node:timers/promises';
import { loadConfig } from '../../config.ts';
import { start } from '../../main.ts';
import { isSafe } from '../../settings.ts';
import { CommandFailed, EXIT, type Terminal } from '../terminal.ts';
import { startExaminer } from './examiner.ts';
import { FAULT_TIMES, FAULTS } from './faults.ts';
import { handsOver } from './exchange.ts';
import { isSound, judgeAll, printReport } from './report.ts';

export interface ExamineOptions {
  readonly port: number;
  /** Seconds. */
  readonly for: number;
  /** FHIR base of a test service; one of our own otherwise, which is gone afterwards. */
  readonly service?: string;
  readonly format: 'text' | 'json';
}

/** Throws CommandFailed when the address is none, or nothing came. */
export async function examineGateway(options: ExamineOptions, terminal: Terminal): Promise<number> {
  const { service: given } = options;
  if (given !== undefined && (!URL.canParse(given) || !isSafe(given)))
    throw new CommandFailed('--service must be an https address (http is taken on loopback only).');
  const own = given === undefined ? await start(loadConfig(OWN_SERVICE)) : undefined;
  try {
    const service = (given ?? `${own?.url ?? ''}/fhir`).replace(/(?<!\/)\/+$/, '');
    return await examine(service, options, terminal);
  } finally {
    await own?.stop();
  }
}

const OWN_SERVICE = { STEELYARD_PORT: '0', STEELYARD_DATABASE: ':memory:', STEELYARD_LOG_LEVEL: 'silent' };

async function examine(service: string, { port, for: seconds, format }: ExamineOptions, terminal: Terminal): Promise<number> {
  const clock = { nowMs: () => Date.now() };
  const say = (line: string): void => (format === 'json' ? terminal.complain(line) : terminal.print(line));
  const examiner = await startExaminer({
    service,
    port,
    times: FAULT_TIMES,
    clock,
    onExchange: ({ method, path, status, fault }) =>
      say(`${method} ${path.split('?', 1)[0] ?? ''}: ${status ?? 'no answer'} (${FAULTS[fault ?? 'none']})`),
  });
  try {
    say(
      `Let the gateway post invented readings to ${examiner.url}; seven or more meet every fault. Ends after ${seconds} s, or with Ctrl+C.`,
    );
    await Promise.race([pause(seconds * 1000, undefined, { ref: false }), interruption()]);
    if (!examiner.exchanges.some(handsOver)) throw new CommandFailed('No reading came, so nothing can be said.');
    const judged = judgeAll({ exchanges: examiner.exchanges, endedMs: clock.nowMs() });
    if (format === 'json') terminal.print(JSON.stringify(judged, null, 2));
    else printReport(judged, terminal);
    return isSound(judged) ? EXIT.ok : EXIT.found;
  } finally {
    await examiner.close();
  }
}

function interruption(): Promise<void> {
  return new Promise((resolve) => {
    for (const signal of ['SIGINT', 'SIGTERM'] as const) process.once(signal, () => resolve());
  });
}
