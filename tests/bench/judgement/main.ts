/**
 * `npm run bench:judgement`: how many errors the service notices in generated series of weights and
 * heights, and how many right ones it holds or refuses. `--quick` takes under a minute, `--seed N`
 * draws other people, `--workers N` uses so many processes, `--keep` writes the committed result.
 *
 * Exit 1 when more than 1 in 1,000 right measurements of healthy adults are held or refused, the
 * heaviest and lightest hundredth counted with their share of people. The same seed gives the same
 * result on any number of processes.
 */
import { fork, type ChildProcess } from 'node:child_process';
import { once } from 'node:events';
import { mkdir, writeFile } from 'node:fs/promises';
import { availableParallelism } from 'node:os';
import { join } from 'node:path';
import { parseArgs } from 'node:util';
import { DEFAULT_POLICY } from '../../../src/core/policy.ts';
import { softwareVersion } from '../../../src/version.ts';
import type { Cohort, CohortResult } from './judge.ts';
import { COMMITTED_RESULT, cohortsOf, meetsTarget, resultOf, resultText } from './result.ts';
import { terminalTables } from './table.ts';

const { values: options } = parseArgs({
  options: {
    quick: { type: 'boolean', default: false },
    seed: { type: 'string', default: '1' },
    workers: { type: 'string', default: String(Math.min(2, availableParallelism())) },
    keep: { type: 'boolean', default: false },
  },
});

/** Judges all cohorts in so many processes; the results are in the order of the cohorts. */
async function judgeAll(cohorts: readonly Cohort[], workers: number): Promise<CohortResult[]> {
  const results: CohortResult[] = [];
  let [next, done] = [0, 0];
  const work = async (child: ChildProcess): Promise<void> => {
    const failed = failure(child);
    failed.catch(() => undefined); // it ends in the end, when nobody waits for it any more
    for (let index = next++; index < cohorts.length; index = next++) {
      child.send(cohorts[index] as Cohort);
      const [result] = (await Promise.race([once(child, 'message'), failed])) as [CohortResult];
      results[index] = result;
      process.stderr.write(`\r${(done += 1)} of ${cohorts.length} wards`);
    }
    child.disconnect();
  };
  await Promise.all(Array.from({ length: workers }, () => work(fork(join(import.meta.dirname, 'worker.ts')))));
  process.stderr.write('\n');
  return results;
}

async function failure(child: ChildProcess): Promise<never> {
  const [code] = (await once(child, 'exit')) as [number | null];
  throw new Error(`a worker ended with ${String(code)} before its ward was judged`);
}

const seed = Number(options.seed);
const workers = Number(options.workers);
if (!Number.isSafeInteger(seed) || seed < 0 || !Number.isSafeInteger(workers) || workers < 1) {
  process.stderr.write('--seed is a whole number of 0 or more, --workers one of 1 or more\n');
  process.exit(2);
}

const startedMs = performance.now();
const size = options.quick ? 'quick' : 'full';
const cohorts = cohortsOf(size, seed);
const judged = await judgeAll(cohorts, workers);
const result = resultOf(
  { service: softwareVersion(), policy: DEFAULT_POLICY.version, seed, size },
  judged.map((one, index) => ({ ...one, group: (cohorts[index] as Cohort).group })),
);

const seconds = (performance.now() - startedMs) / 1000;
const sent = judged.reduce((total, one) => total + one.sent, 0);
const speed = `${sent} measurements sent in ${Math.round(seconds)} s by ${workers} processes: ${Math.round(sent / seconds)} a second`;
process.stdout.write(`${terminalTables(result)}\n${speed}\n`);
await mkdir('bench-results', { recursive: true });
await writeFile('bench-results/judgement.json', resultText(result));
if (options.keep) await writeFile(COMMITTED_RESULT, resultText(result));
if (!meetsTarget(result)) {
  process.stderr.write('More than 1 in 1,000 right measurements of healthy adults were held or refused.\n');
  process.exitCode = 1;
}
