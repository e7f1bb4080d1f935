/** `steelyard check`: files judged as the service would judge them, with nothing stored or sent. */
import type * as fhir4 from 'fhir/r4.js';
import { parseDateTime } from '../core/fhir-time.ts';
import { toOperationOutcome } from '../core/finding.ts';
import { judgeResource, type Judged, type Surroundings } from './check/judge.ts';
import { readResource } from './check/read-file.ts';
import { reportLines, toOneOutcome, type CheckedFile } from './check/report.ts';
import { growthTablesFrom } from './growth-tables-option.ts';
import { policyFrom } from './policy-option.ts';
import { CAUTION, CommandFailed, EXIT, wrapped, type Terminal } from './terminal.ts';

export interface CheckOptions {
  readonly format: 'text' | 'json';
  readonly policy?: string;
  readonly growthTables?: string;
  readonly now?: string;
}

/** Throws CommandFailed for a policy, growth tables or an instant that cannot be used. */
export async function check(files: readonly string[], options: CheckOptions, terminal: Terminal): Promise<number> {
  const growth = growthTablesFrom(options.growthTables);
  const surroundings = { policy: policyFrom(options.policy), nowMs: instantFrom(options.now), ...(growth && { growth }) };
  const checked: CheckedFile[] = [];
  for (const file of files) checked.push(await checkFile(file, surroundings));
  if (options.format === 'json') terminal.print(JSON.stringify(toOneOutcome(checked, surroundings.policy.version), undefined, 2));
  else {
    for (const file of checked) terminal.print(...reportLines(file, terminal));
    terminal.print(...summaryLines(checked, surroundings, terminal));
  }
  return exitCodeOf(checked);
}

async function checkFile(file: string, surroundings: Surroundings): Promise<CheckedFile> {
  const content = await readResource(file);
  if (content.kind === 'resource') return { file, judged: await judgeResource(content.type, content.resource, surroundings) };
  const { problem, finding } = content;
  const [issue] = finding ? toOperationOutcome([finding]).issue : [];
  const fallback: fhir4.OperationOutcomeIssue = {
    severity: 'fatal',
    code: 'structure',
    diagnostics: `The file was not judged: ${problem}.`,
  };
  return { file, judged: [], unreadable: { problem, issue: issue ?? fallback } };
}

function instantFrom(text: string | undefined): number {
  if (text === undefined) return Date.now();
  const instant = parseDateTime(text);
  if (instant?.precision !== 'time') throw new CommandFailed('--now must be a date and time with an offset, such as 2026-03-02T12:00:00Z.');
  return instant.startMs;
}

function countOf(files: readonly CheckedFile[], ...verdicts: readonly Judged['verdict'][]): number {
  return files.flatMap(({ judged }) => judged).filter(({ verdict }) => verdicts.includes(verdict)).length;
}

function summaryLines(files: readonly CheckedFile[], { policy, nowMs }: Surroundings, { tint, columns }: Terminal): string[] {
  const unreadable = files.filter((file) => file.unreadable).length;
  const counts = [
    tint('green', `${countOf(files, 'accepted', 'resent')} accepted`),
    tint('yellow', `${countOf(files, 'held')} held`),
    tint('red', `${countOf(files, 'refused')} refused`),
    ...(unreadable > 0 ? [tint('red', `${unreadable} unreadable`)] : []),
  ];
  return [
    `${counts.join(', ')}; policy ${policy.version}, as of ${new Date(nowMs).toISOString().replace('.000Z', 'Z')}.`,
    ...wrapped(CAUTION, columns).map((line) => tint('dim', line)),
  ];
}

function exitCodeOf(files: readonly CheckedFile[]): number {
  if (files.some(({ unreadable }) => unreadable)) return EXIT.usage;
  return countOf(files, 'held', 'refused') > 0 ? EXIT.found : EXIT.ok;
}
