/** `steelyard check`: files judged as the service would judge them, with nothing stored or sent. */
import { parseDateTime } from '../core/fhir-time.ts';
import { checkText, fileName, type CheckedText } from './check/checked.ts';
import { judgeOfAll, judgeOfEach, type Judge, type Judged, type Surroundings } from './check/judge.ts';
import { reportTo } from './check/output.ts';
import { textsOf } from './check/read-texts.ts';
import type { Format } from './check/reporter.ts';
import { reporterOf } from './check/reporters.ts';
import { sourcesOf, type Source } from './check/sources.ts';
import { growthTablesFrom } from './growth-tables-option.ts';
import { policyFrom } from './policy-option.ts';
import { startReading, type Progress } from './progress.ts';
import { CAUTION, CommandFailed, EXIT, wrapped, type Terminal } from './terminal.ts';

export interface CheckOptions {
  readonly format: Format;
  /** Where the report goes instead of standard output. */
  readonly output?: string;
  /** Every line of every file is a text of its own. */
  readonly ndjson?: true;
  /** All texts are readings of one ward, in their order. */
  readonly together?: true;
  readonly policy?: string;
  readonly growthTables?: string;
  readonly now?: string;
}

/** Throws CommandFailed for a policy, growth tables or an instant that cannot be used, and when there is nothing to read. */
export async function check(named: readonly string[], options: CheckOptions, terminal: Terminal): Promise<number> {
  const growth = growthTablesFrom(options.growthTables);
  const surroundings = { policy: policyFrom(options.policy), nowMs: instantFrom(options.now), ...(growth && { growth }) };
  const sources = await sourcesOf(named);
  if (sources.length === 0) throw new CommandFailed('There is no *.json or *.ndjson file in what was named.');
  const progress = progressOf(sources);
  const report = reportTo(options.output, sources, { terminal, isHeldBack: progress !== undefined });
  const counts = new Counts();
  const judge = await (options.together ? judgeOfAll : judgeOfEach)(surroundings);
  try {
    const reporter = await reporterOf(options.format, { write: report.write, look: report.look, ...surroundings });
    for await (const checked of checkedTexts(sources, judge, { isNdjson: options.ndjson === true, ...(progress && { progress }) })) {
      counts.add(checked);
      reporter.take(checked);
    }
    progress?.end();
    reporter.end();
    if (options.format === 'text') report.write(...summaryLines(counts, surroundings, report.look));
  } finally {
    progress?.end();
    await judge.close();
    report.close();
  }
  if (options.output !== undefined) terminal.print(...summaryLines(counts, surroundings, terminal));
  return counts.exitCode();
}

/** Less than this is read before anybody could look at a bar. */
const WORTH_A_BAR_BYTES = 1_000_000;
const WORTH_A_BAR_FILES = 20;

function progressOf(sources: readonly Source[]): Progress | undefined {
  const bytes = sources.reduce((sum, source) => sum + source.bytes, 0);
  const isWorthIt = sources.length >= WORTH_A_BAR_FILES || bytes >= WORTH_A_BAR_BYTES;
  return isWorthIt && process.stderr.isTTY ? startReading(Math.max(1, bytes), process.stderr) : undefined;
}

interface Reading {
  readonly isNdjson: boolean;
  readonly progress?: Progress;
}

async function* checkedTexts(sources: readonly Source[], judge: Judge, { isNdjson, progress }: Reading): AsyncGenerator<CheckedText> {
  let bytesBefore = 0;
  for (const [index, source] of sources.entries()) {
    for await (const read of textsOf(source, isNdjson)) {
      yield await checkText(source.file, read, judge);
      const line = read.line === undefined ? '' : `, line ${read.line}`;
      progress?.step(bytesBefore + read.bytesRead, `${index + 1} of ${sources.length} files: ${fileName(source.file)}${line}`);
    }
    bytesBefore += source.bytes;
  }
}

function instantFrom(text: string | undefined): number {
  if (text === undefined) return Date.now();
  const instant = parseDateTime(text);
  if (instant?.precision !== 'time') throw new CommandFailed('--now must be a date and time with an offset, such as 2026-03-02T12:00:00Z.');
  return instant.startMs;
}

class Counts {
  readonly #verdicts = new Map<Judged['verdict'], number>();
  readonly #files = new Set<string>();
  unreadable = 0;

  add({ file, readings, unreadable }: CheckedText): void {
    this.#files.add(file);
    if (unreadable) this.unreadable += 1;
    for (const { verdict } of readings) this.#verdicts.set(verdict, this.of(verdict) + 1);
  }

  of(...verdicts: readonly Judged['verdict'][]): number {
    return verdicts.reduce((sum, verdict) => sum + (this.#verdicts.get(verdict) ?? 0), 0);
  }

  get files(): number {
    return this.#files.size;
  }

  exitCode(): number {
    if (this.unreadable > 0) return EXIT.usage;
    return this.of('held', 'refused') > 0 ? EXIT.found : EXIT.ok;
  }
}

function summaryLines(counts: Counts, { policy, nowMs }: Surroundings, { tint, columns }: Pick<Terminal, 'tint' | 'columns'>): string[] {
  const said = [
    tint('green', `${counts.of('accepted', 'resent')} accepted`),
    tint('yellow', `${counts.of('held')} held`),
    tint('red', `${counts.of('refused')} refused`),
    ...(counts.unreadable > 0 ? [tint('red', `${counts.unreadable} unreadable`)] : []),
  ];
  const files = counts.files > 1 ? ` in ${counts.files} files` : '';
  return [
    `${said.join(', ')}${files}; policy ${policy.version}, as of ${new Date(nowMs).toISOString().replace('.000Z', 'Z')}.`,
    ...wrapped(CAUTION, columns).map((line) => tint('dim', line)),
  ];
}
