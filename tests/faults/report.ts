/** The results as a table for a terminal, and the problems below it. */
import Table from 'cli-table3';
import { INVARIANTS, type CheckResult, type Invariant } from './checker.ts';
import type { FaultResult } from './runner.ts';

const NAMES = Object.keys(INVARIANTS) as Invariant[];
const SIGNS = { valid: 'valid', invalid: 'INVALID', unknown: '?' } as const;

export function report(results: readonly FaultResult[]): string {
  const tried = results.filter(({ notTried }) => notTried === undefined);
  const sum = (count: (result: CheckResult) => number): number => tried.reduce((total, { check }) => total + (check ? count(check) : 0), 0);
  const problems = results.flatMap(({ fault, problems: found }) => found.map((problem) => `${fault.name}: ${problem}`));
  return [
    table(results),
    `${tried.length} faults tried, ${results.length - tried.length} not tried; ` +
      `${sum((one) => one.acknowledged)} readings acknowledged, ${sum((one) => one.lost)} lost, ${sum((one) => one.doubled)} doubled.`,
    ...NAMES.map((name) => `${name.padEnd(4)}${INVARIANTS[name]}`),
    ...(problems.length > 0 ? ['', ...problems] : []),
  ].join('\n');
}

function table(results: readonly FaultResult[]): string {
  const rows = new Table({
    head: ['fault', 'acknowledged', 'lost', 'doubled', ...NAMES, 'MB before, after', 'came out'],
    style: { head: [], border: [], compact: true },
  });
  for (const { fault, check, notTried, problems, seconds } of results) {
    if (notTried !== undefined) rows.push([fault.title, { colSpan: NAMES.length + 4, content: `not tried: ${notTried}` }, '-']);
    else {
      const verdicts = NAMES.map((name) => (check ? SIGNS[check.verdicts[name].verdict] : '?'));
      const counts = check ? [check.acknowledged, check.lost, check.doubled] : ['?', '?', '?'];
      rows.push([
        fault.title,
        ...counts,
        ...verdicts,
        megabytes(check),
        `${problems.length === 0 ? 'as it ought to' : 'NOT as it ought to'}, ${seconds.toFixed(0)} s`,
      ]);
    }
  }
  return rows.toString();
}

function megabytes(check: CheckResult | undefined): string {
  const { memory } = check ?? {};
  return memory === undefined ? '' : `${Math.round(memory.before / 1e6)}, ${Math.round(memory.after / 1e6)}`;
}
