/** `steelyard replay`: a recorded day sent to a running service, in its order and at a chosen pace. */
import { setTimeout as pause } from 'node:timers/promises';
import { parseDateTime, toInstant } from '../core/fhir-time.ts';
import { startProgress } from './progress.ts';
import { scheduleOf, type Pace } from './replay/pace.ts';
import { figuresOf, recordedLines, type DayFigures, type PacedBy } from './replay/recorded-day.ts';
import { LineSender, REPLAY_PATIENCE, type Tally } from './replay/send-lines.ts';
import { shifted } from './replay/shift-dates.ts';
import { endOfSending, serviceOf, type ServiceOptions } from './service-options.ts';
import { plainTable } from './table.ts';
import { CAUTION, CommandFailed, EXIT, printable, wrapped, type Terminal } from './terminal.ts';

export interface ReplayOptions extends ServiceOptions {
  readonly pace: Pace;
  /** Lines a second, instead of a pace. */
  readonly rate?: number;
  readonly by: PacedBy;
  /** `now`, or the instant that the present of the recording becomes. */
  readonly shiftTo?: string;
  readonly dryRun?: true;
}

export interface ReplayParts {
  readonly nowMs: () => number;
  readonly wait: (ms: number) => Promise<unknown>;
}

const REAL: ReplayParts = { nowMs: Date.now, wait: pause };

/** Throws CommandFailed for a file that is no recorded day, an address that is none, and a token that is not taken. */
export async function replay(file: string, options: ReplayOptions, terminal: Terminal, parts: ReplayParts = REAL): Promise<number> {
  const service = serviceOf(options);
  const figures = await figuresOf(file, options.by);
  const shiftMs = shiftOf(options.shiftTo, figures, parts);
  terminal.print(...dayLines(file, figures, { ...options, shiftMs }, terminal));
  if (options.dryRun) {
    terminal.print('Nothing was sent (--dry-run).');
    return EXIT.ok;
  }
  const sender = new LineSender(service, { ...REPLAY_PATIENCE, wait: parts.wait });
  const progress = startProgress(figures.lines, 'lines sent', process.stderr);
  try {
    await sendAll(file, { ...options, figures, shiftMs, parts }, sender, (done, label) => progress.step(done, label));
  } catch (error) {
    throw endOfSending(error);
  } finally {
    progress.end();
  }
  return summarise(sender.tally, figures, terminal);
}

interface Run extends Pick<ReplayOptions, 'pace' | 'rate' | 'by'> {
  readonly figures: DayFigures;
  readonly shiftMs: number;
  readonly parts: ReplayParts;
}

async function sendAll(file: string, run: Run, sender: LineSender, onSent: (done: number, label: string) => void): Promise<void> {
  const { figures, shiftMs, parts } = run;
  const schedule = scheduleOf(run, figures.firstMs);
  const startedMs = parts.nowMs();
  let done = 0;
  for await (const { line, type, resource, atMs } of recordedLines(file, run.by)) {
    const restMs = startedMs + schedule.dueMs(done, atMs) - parts.nowMs();
    if (restMs > 0) {
      onSent(done, `line ${line} is due in ${inWords(restMs)}`);
      await wait(restMs, parts);
    }
    if (!(await sender.send({ type, resource: shiftMs === 0 ? resource : shifted(resource, shiftMs) }))) return;
    done += 1;
    onSent(done, `line ${line}`);
  }
}

/** Timers hold no more than 2^31 - 1 milliseconds; a recording may have a gap of weeks. */
const LONGEST_TIMER_MS = 1_000_000_000;

async function wait(ms: number, parts: ReplayParts): Promise<void> {
  for (let left = ms; left > 0; left -= LONGEST_TIMER_MS) await parts.wait(Math.min(left, LONGEST_TIMER_MS));
}

function shiftOf(shiftTo: string | undefined, { presentMs }: DayFigures, { nowMs }: ReplayParts): number {
  if (shiftTo === undefined) return 0;
  const target = shiftTo === 'now' ? nowMs() : parseDateTime(shiftTo)?.startMs;
  if (target === undefined || (shiftTo !== 'now' && parseDateTime(shiftTo)?.precision !== 'time'))
    throw new CommandFailed('--shift-to must be now, or a date and time with an offset, such as 2026-03-02T12:00:00Z.');
  if (presentMs === undefined) throw new CommandFailed('--shift-to needs a recording in which something bears a date and time.');
  // whole seconds, rounded down: nothing may come to lie in the future
  return Math.floor((target - presentMs) / 1000) * 1000;
}

type Told = Pick<ReplayOptions, 'pace' | 'rate' | 'shiftTo'> & { readonly shiftMs: number };

function dayLines(file: string, figures: DayFigures, { pace, rate, shiftTo, shiftMs }: Told, { columns }: Terminal): string[] {
  const { lines, readings, firstMs, lastMs } = figures;
  const spanMs = firstMs === undefined || lastMs === undefined ? 0 : lastMs - firstMs;
  const span =
    firstMs === undefined || lastMs === undefined ? 'none bears a time of day' : `measured ${toInstant(firstMs)} to ${toInstant(lastMs)}`;
  const lasts = rate !== undefined ? (lines / rate) * 1000 : pace === 'max' ? 0 : spanMs / pace;
  const moved =
    shiftTo === undefined
      ? []
      : wrapped(
          `Every time of measuring is moved by ${inWords(Math.abs(shiftMs))} ${shiftMs < 0 ? 'back' : 'on'}; identifiers stay as recorded, so a service that has had this day under other times answers that its identifiers are used already (409).`,
          columns,
        );
  return [
    `${printable(file)}: ${lines} lines, ${readings} readings, ${span}.`,
    lasts > 0
      ? `It is sent in ${inWords(lasts)}${rate === undefined && pace !== 'max' ? `, ${pace} times the recorded pace` : ''}.`
      : 'It is sent without pauses.',
    ...moved,
  ];
}

function inWords(ms: number): string {
  const seconds = Math.round(ms / 1000);
  if (seconds < 120) return `${seconds} s`;
  if (seconds < 7200) return `${Math.round(seconds / 60)} min`;
  return seconds < 172_800 ? `${(seconds / 3600).toFixed(1)} h` : `${(seconds / 86_400).toFixed(1)} days`;
}

const VERDICT_WORDS = { accepted: 'accepted', held: 'held', refused: 'refused', resent: 'known already', corrected: 'corrected' } as const;

function summarise(tally: Tally, { lines }: DayFigures, { print, tint, columns }: Terminal): number {
  const table = (head: string, rows: readonly (readonly [string, number])[]): string =>
    plainTable(
      [{ head }, { head: 'count', align: 'right' as const }],
      rows.map(([name, count]) => [name, String(count)]),
      columns,
      (text) => tint('dim', text),
    );
  const verdicts = (Object.keys(VERDICT_WORDS) as (keyof typeof VERDICT_WORDS)[]).map(
    (verdict) => [VERDICT_WORDS[verdict], tally.verdicts.get(verdict) ?? 0] as const,
  );
  const without = [...tally.without].map(
    ([status, count]) => [status === 0 ? 'no answer' : `no verdict (answer ${status})`, count] as const,
  );
  const unsent = lines - tally.lines - (tally.without.has(0) ? 1 : 0);
  print('', table('what became of the readings', [...verdicts, ...without]));
  if (tally.rules.size > 0)
    print(
      '',
      table(
        'held or refused by',
        [...tally.rules].sort(([, a], [, b]) => b - a),
      ),
    );
  print(
    '',
    `${tally.lines} of ${lines} lines answered; people and devices told: ${tally.registered}; sent again: ${tally.resends}.`,
    ...(unsent > 0
      ? [
          tint(
            'red',
            `${unsent} lines behind the one without an answer were not sent: replay the file again, what is known already stays once.`,
          ),
        ]
      : []),
    ...wrapped(CAUTION, columns).map((line) => tint('dim', line)),
  );
  return tally.without.size === 0 && tally.lines === lines ? EXIT.ok : EXIT.found;
}
