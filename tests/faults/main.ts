/**
 * `npm run faults`: every fault of the table, one after another, each checked by the one checker.
 * `--long` in the size of a release, `--only NAME` (repeatable) only some, `--seed N` other dice,
 * `--list` the names. Ends with 1 when something did not come out as it ought to.
 */
import { parseArgs } from 'node:util';
import compile from '../built.ts';
import { report } from './report.ts';
import { runFault, type FaultResult } from './runner.ts';
import { FAULTS } from './table/all.ts';

const { values } = parseArgs({
  options: {
    long: { type: 'boolean', default: false },
    only: { type: 'string', multiple: true, default: [] },
    seed: { type: 'string', default: '1' },
    list: { type: 'boolean', default: false },
  },
});
const seed = Number(values.seed);
const unknown = values.only.filter((name) => !FAULTS.some((fault) => fault.name === name));
if (!Number.isSafeInteger(seed) || unknown.length > 0) {
  process.stderr.write(`${unknown.length > 0 ? `There is no fault ${unknown.join(', ')}; see --list.` : '--seed takes a whole number.'}\n`);
  process.exit(2);
}
if (values.list) {
  process.stdout.write(FAULTS.map(({ name, title }) => `${name.padEnd(28)}${title}\n`).join(''));
  process.exit(0);
}

await compile();
const chosen = FAULTS.filter(({ name }) => values.only.length === 0 || values.only.includes(name));
const results: FaultResult[] = [];
for (const fault of chosen) {
  process.stderr.write(`${results.length + 1} of ${chosen.length}: ${fault.title} … `);
  const result = await runFault(fault, { size: values.long ? 'long' : 'short', seed });
  const word = result.notTried === undefined ? (result.problems.length === 0 ? 'as it ought to' : 'NOT as it ought to') : 'not tried';
  process.stderr.write(`${word} (${result.seconds.toFixed(0)} s)\n`);
  results.push(result);
}
process.stdout.write(`${report(results)}\n`);
process.exit(results.some(({ problems }) => problems.length > 0) ? 1 : 0);
