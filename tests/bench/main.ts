/**
 * `npm run bench`: readings per second made durable, and latency, as ratios against a bare
 * express and SQLite of the same run. `--quick` takes about a minute. Nothing is asserted about
 * time; a run fails only when a reading was answered 201 and is not there.
 */
import { mkdir, writeFile } from 'node:fs/promises';
import autocannon from 'autocannon';
import Table from 'cli-table3';
import { baseline, service, type Contender } from './contender.ts';
import { benchReading } from './readings.ts';

const QUICK = process.argv.includes('--quick');
const ROUNDS = QUICK ? 3 : 5;
const SECONDS = QUICK ? 4 : 10;
const CONNECTIONS = 64;

const EACH = 'express + SQLite, a commit a request';
const GROUP = 'express + SQLite, shared commits';
const SERVICE = 'Steelyard, whole judgement';
const CONTENDERS: readonly Contender[] = [baseline(EACH, 'each'), baseline(GROUP, 'group'), service(SERVICE)];

interface Measured {
  readonly perSecond: number;
  readonly p50: number;
  readonly p99: number;
  readonly refused: number;
}

async function measure(contender: Contender, round: number): Promise<Measured> {
  const running = await contender.start();
  const { url } = running;
  try {
    await load(`${url}/Observation`, `warm-${round}`, 1);
    const run = `run-${round}`;
    const result = await load(`${url}/Observation`, run, SECONDS);
    if (contender.name === SERVICE) await checkNothingLost(url, result.acknowledged);
    return result.measured;
  } finally {
    await running.stop();
  }
}

async function load(url: string, run: string, seconds: number): Promise<{ readonly measured: Measured; readonly acknowledged: number }> {
  let next = 0;
  const nowMs = Date.now();
  let acknowledged = 0;
  const result = await autocannon({
    url,
    connections: CONNECTIONS,
    duration: seconds,
    method: 'POST',
    headers: { 'content-type': 'application/fhir+json', prefer: 'return=minimal' },
    setupClient: (client) => {
      const setNext = (): void => client.setBody(benchReading(run, next++, nowMs));
      setNext();
      client.on('response', (status) => {
        if (status === 201) acknowledged += 1;
        setNext();
      });
    },
  });
  const { requests, latency, non2xx } = result;
  return { measured: { perSecond: requests.average, p50: latency.p50, p99: latency.p99, refused: non2xx }, acknowledged };
}

async function checkNothingLost(url: string, acknowledged: number): Promise<void> {
  const answer = await fetch(`${url}/Observation?code=29463-7,8302-2&_summary=count`);
  const { total } = (await answer.json()) as { total: number };
  // the warm-up's readings are there too, so there must be more, never fewer
  if (total < acknowledged) throw new Error(`${acknowledged} readings were acknowledged, ${total} are stored`);
}

function median(values: readonly number[]): number {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.floor(sorted.length / 2)] as number;
}

const rounds: Record<string, Measured>[] = [];
for (let round = 0; round < ROUNDS; round += 1) {
  const results: Record<string, Measured> = {};
  for (const contender of CONTENDERS) {
    results[contender.name] = await measure(contender, round);
    process.stderr.write(
      `round ${round + 1} of ${ROUNDS}: ${contender.name}: ${Math.round(results[contender.name]?.perSecond ?? 0)} readings/s\n`,
    );
  }
  rounds.push(results);
}

function spread(values: readonly number[]): string {
  return `${median(values).toFixed(2)} [${Math.min(...values).toFixed(2)} to ${Math.max(...values).toFixed(2)}]`;
}

const table = new Table({
  head: ['', 'readings/s', 'ratio to a commit a request', 'ratio to shared commits', 'p50 ms', 'p99 ms'],
  style: { head: [], border: [] },
});
for (const { name } of CONTENDERS) {
  const of = (key: keyof Measured): number[] => rounds.map((round) => (round[name] as Measured)[key]);
  const ratio = (to: string): string =>
    spread(rounds.map((round) => (round[name] as Measured).perSecond / (round[to] as Measured).perSecond));
  table.push([name, Math.round(median(of('perSecond'))), ratio(EACH), ratio(GROUP), median(of('p50')), median(of('p99'))]);
}
process.stdout.write(
  `${table.toString()}\n${ROUNDS} interleaved rounds of ${SECONDS} s, ${CONNECTIONS} connections, medians; client and server on the same machine.\n`,
);
await mkdir('bench-results', { recursive: true });
await writeFile('bench-results/latest.json', JSON.stringify({ rounds, seconds: SECONDS, connections: CONNECTIONS }, null, 2));
