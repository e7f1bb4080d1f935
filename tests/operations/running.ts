/**
 * The whole service as the composition root builds it, on a free loopback port, with a clock that
 * the test moves, its log kept, and a stand-in EHR when the test wants one. All data are invented.
 */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { loadConfig } from '../../src/config.ts';
import { createLog } from '../../src/log.ts';
import { start, type Running } from '../../src/main.ts';
import { startReceiver, type Receiver, type ReceiverOptions } from '../../examples/receiver/receiver.ts';
import { closeAfterTest } from '../closing.ts';
import { send, type Answer } from '../http/edge.ts';

export const MORNING = Date.parse('2026-11-25T07:00:00Z');

export interface RunningService {
  readonly port: number;
  readonly running: Running;
  readonly receiver: Receiver;
  /** A folder of this service alone, gone after the test. */
  readonly folder: string;
  readonly clock: { nowMs(): number; advance(ms: number): void };
  /** Lines of the log so far, parsed. */
  logged(): readonly Readonly<Record<string, unknown>>[];
  /** POST of a weight in kg, the digits as given; until it is taken in or refused. */
  weigh(digits: string, more?: Weighing): Promise<Answer>;
  /** POST of a decision on the held reading at this path. */
  decide(path: string, decision: string): Promise<Answer>;
  get(path: string): Promise<Answer>;
}

export interface Weighing {
  readonly person?: string;
  /** Id of the scale. */
  readonly device?: string;
  readonly headers?: Readonly<Record<string, string>>;
}

export interface RunningOptions {
  /** Starts with the stand-in EHR as `STEELYARD_EHR_URL`. */
  readonly forwards?: boolean;
  readonly settings?: Readonly<Record<string, string>>;
  readonly receiver?: Omit<ReceiverOptions, 'port'>;
}

export async function startRunning({ forwards = true, settings = {}, receiver: told = {} }: RunningOptions = {}): Promise<RunningService> {
  const folder = mkdtempSync(join(tmpdir(), 'steelyard-operations-'));
  closeAfterTest(() => rmSync(folder, { recursive: true, force: true }));
  const receiver = await startReceiver({ port: 0, ...told });
  closeAfterTest(() => receiver.close());
  let nowMs = MORNING;
  const clock = { nowMs: () => nowMs, advance: (ms: number) => void (nowMs += ms) };
  const lines: string[] = [];
  const config = loadConfig({
    STEELYARD_PORT: '0',
    STEELYARD_DATABASE: join(folder, 'ward.db'),
    ...(forwards && { STEELYARD_EHR_URL: receiver.url }),
    ...settings,
  });
  const running = await start(config, { clock, log: createLog('debug', { write: (line: string) => void lines.push(line) }) });
  closeAfterTest(() => running.stop());
  const port = Number(new URL(running.url).port);
  return {
    port,
    running,
    receiver,
    folder,
    clock,
    logged: () => lines.map((line) => JSON.parse(line) as Record<string, unknown>),
    async weigh(digits, { person = 'ada-invented', device, headers = {} } = {}) {
      const asked = {
        headers: { 'Content-Type': 'application/fhir+json', ...headers },
        body: weightText(digits, { person, device }, nowMs),
      };
      for (;;) {
        const answer = await send(port, 'POST', '/fhir/Observation', asked);
        // sent again, as a gateway does: a machine that runs many tests at once may have too much to do
        if (answer.status !== 503) return answer;
        await new Promise((resolve) => setTimeout(resolve, 100));
      }
    },
    decide: (path, decision) =>
      send(port, 'POST', `${path}/$decide`, {
        headers: { 'Content-Type': 'application/fhir+json' },
        body: JSON.stringify({
          resourceType: 'Parameters',
          parameter: [
            { name: 'decision', valueCode: decision },
            { name: 'who', valueString: 'A nurse of the invented Harbourlight Ward' },
            { name: 'reason', valueString: 'weighed again by hand' },
          ],
        }),
      }),
    get: (path) => send(port, 'GET', path),
  };
}

function weightText(
  digits: string,
  { person, device }: { readonly person: string; readonly device: string | undefined },
  atMs: number,
): string {
  const from = device === undefined ? '' : `"device":{"reference":"Device/${device}"},`;
  return `{"resourceType":"Observation","status":"final",
    "category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}],
    "code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":"Patient/${person}"},${from}
    "effectiveDateTime":"${new Date(atMs).toISOString()}",
    "valueQuantity":{"value":${digits},"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}`;
}

/** Resolves once `isSo`; a test that waits for what never comes ends at its own time limit. */
export async function until(isSo: () => boolean | Promise<boolean>): Promise<void> {
  while (!(await isSo())) await new Promise((resolve) => setTimeout(resolve, 5));
}
