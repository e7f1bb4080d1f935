/** `steelyard simulate`: gateways that post an invented day to a running service, or write it down. */
import { closeSync, openSync, writeFileSync } from 'node:fs';
import { outcomeCounts, unexpectedLines } from '../../examples/simulator/expectations.ts';
import { sendWardDay, type Answered, type SendingOptions } from '../../examples/simulator/gateway.ts';
import { recordingOf } from '../../examples/simulator/recording.ts';
import type { ScenarioName } from '../../examples/simulator/scenario-texts.ts';
import { expectationsOf, SCENARIOS, type Scenario } from '../../examples/simulator/scenarios.ts';
import { sendStorm } from '../../examples/simulator/storm.ts';
import { wardDay, type WardDay } from '../../examples/simulator/ward-day.ts';
import { startProgress } from './progress.ts';
import { endOfSending, serviceOf, type ServiceOptions } from './service-options.ts';
import { plainTable } from './table.ts';
import { CAUTION, CommandFailed, EXIT, wrapped, type Terminal } from './terminal.ts';

export interface SimulateOptions extends ServiceOptions {
  readonly scenario: ScenarioName;
  readonly seed: number;
  /** As many as the scenario has rounds when absent. */
  readonly people?: number;
  /** Milliseconds between two readings. */
  readonly pace: number;
  /** NDJSON file that the day is written to instead of being sent. */
  readonly to?: string;
}

/** Throws CommandFailed when the address is none, nobody answers there, no token is to be had or taken, or the file cannot be written. */
export async function simulate(options: SimulateOptions, terminal: Terminal): Promise<number> {
  const { scenario: name, seed, pace, to } = options;
  const scenario: Scenario = SCENARIOS[name];
  const people = options.people ?? scenario.rounds.length;
  const service = to === undefined ? serviceOf(options) : undefined;
  const nowMs = Date.now();
  const day = wardDay({ seed, nowMs, people, rounds: scenario.rounds });
  const sendings = day.readings.length * scenario.copies;
  const copies = scenario.copies === 1 ? '' : `, each sent ${scenario.copies} times`;
  terminal.print(`Harbourlight Ward: ${people} invented people, ${day.readings.length} readings${copies}, seed ${seed}.`);
  terminal.print(...wrapped(`${capitalised(scenario.title)}. ${scenario.promise}`, terminal.columns));
  if (service === undefined) return record(day, { file: to ?? '', name, seed, nowMs, scenario }, terminal);
  const progress = startProgress(sendings, 'readings answered', process.stdout);
  const onAnswer: SendingOptions['onAnswer'] = ({ reading }, done) => progress.step(done, `${reading.place}: ${reading.story}`);
  const answers = await (
    scenario.copies === 1
      ? sendWardDay(day, { ...service, paceMs: pace, onAnswer })
      : sendStorm(day, { ...service, copies: scenario.copies, onAnswer })
  )
    .catch((error: unknown) => {
      throw endOfSending(error);
    })
    .finally(() => progress.end());
  return compare(answers, { day, scenario }, terminal);
}

interface Recording {
  readonly file: string;
  readonly name: ScenarioName;
  readonly scenario: Scenario;
  readonly seed: number;
  readonly nowMs: number;
}

function record(day: WardDay, { file, name, scenario, seed, nowMs }: Recording, terminal: Terminal): number {
  try {
    const descriptor = openSync(file, 'w');
    for (const line of recordingOf(day, { name: `${name}, seed ${seed}`, recordedMs: nowMs, copies: scenario.copies }))
      writeFileSync(descriptor, `${line}\n`);
    closeSync(descriptor);
  } catch (error) {
    throw new CommandFailed(`--to cannot be written (${(error as NodeJS.ErrnoException).code ?? 'unknown reason'}).`);
  }
  const counts = outcomeCounts(expectationsOf(day, scenario), []);
  terminal.print(
    '',
    table(
      ['what ought to become of it', 'readings'],
      counts.map(({ outcome, expected }) => [outcome, String(expected)]),
      terminal,
    ),
    '',
    'Nothing was sent. It holds invented people and scales only, and says so on its first line; steelyard replay sends it.',
    ...cautionOf(terminal),
  );
  return EXIT.ok;
}

interface Compared {
  readonly day: WardDay;
  readonly scenario: Scenario;
}

function compare(answers: readonly Answered[], { day, scenario }: Compared, terminal: Terminal): number {
  const count = (verdict: Answered['verdict']): number => answers.filter((answer) => answer.verdict === verdict).length;
  const counts = outcomeCounts(expectationsOf(day, scenario), answers);
  terminal.print(
    '',
    table(
      ['what became of it', 'expected', 'answered', ''],
      counts.map(({ outcome, expected, answered }) => [
        outcome,
        String(expected),
        String(answered),
        expected === answered ? '' : terminal.tint('red', 'differs'),
      ]),
      terminal,
    ),
    '',
    `${count('accepted')} accepted, ${count('corrected')} corrected, ${count('held')} held, ${count('refused')} refused, ` +
      `${count('resent')} known already (sent twice).`,
  );
  const unexpected = unexpectedLines(answers);
  if (unexpected.length === 0) {
    terminal.print('Every answer was the one that the built-in policy gives.', ...cautionOf(terminal));
    return EXIT.ok;
  }
  terminal.print(
    '',
    'Not what the built-in policy answers (a policy of your own may be the reason):',
    ...unexpected,
    ...cautionOf(terminal),
  );
  return EXIT.found;
}

function table(heads: readonly string[], rows: readonly (readonly string[])[], { columns, tint }: Terminal): string {
  return plainTable(
    heads.map((head, index) => ({ head, ...(index > 0 && head !== '' && { align: 'right' as const }) })),
    rows,
    columns,
    (head) => tint('dim', head),
  );
}

function cautionOf({ columns, tint }: Terminal): string[] {
  return wrapped(CAUTION, columns).map((line) => tint('dim', line));
}

function capitalised(text: string): string {
  return text.charAt(0).toUpperCase() + text.slice(1);
}
