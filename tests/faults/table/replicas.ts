/** Several services on one PostgreSQL: the database goes away, comes back, and replicas die. */
import { existsSync } from 'node:fs';
import { join } from 'node:path';
import { openStore } from '../../../src/open-store.ts';
import type { Fault, Postgres, Surroundings } from '../fault.ts';
import type { Nemesis } from '../nemesis.ts';
import type { ServiceProcess } from '../service-process.ts';

const SERVER = join(import.meta.dirname, '../../postgres.ts');

/** Leases on PostgreSQL are measured by its own clock, so they lapse in real time: a minute, and then some. */
const DRAIN_MS = 150_000;

async function noPostgres(): Promise<string | undefined> {
  if (!existsSync(SERVER)) return 'this version has no store on PostgreSQL';
  // nobody listens on port 1: a store that knows PostgreSQL says so, one that does not makes a file or fails otherwise
  const error: unknown = await openStore('postgres://nobody@127.0.0.1:1/ward', { clock: { nowMs: () => 0 } }).then(
    (store) => store.close(),
    (reason: unknown) => reason,
  );
  return error instanceof Error && 'reason' in error && error.reason === 'unreachable'
    ? undefined
    : 'this version has no store on PostgreSQL';
}

async function prepare(): Promise<Surroundings> {
  const server = (await import(SERVER)) as { readonly startPostgres: () => Promise<Postgres> };
  const postgres = await server.startPostgres();
  const environment = { STEELYARD_DATABASE: postgres.url(await postgres.createDatabase()) };
  return { environment, postgres, end: () => postgres.stop() };
}

function postgresOf({ surroundings: { postgres } }: Nemesis): Postgres {
  if (postgres === undefined) throw new Error('there is no PostgreSQL');
  return postgres;
}

const restarted: Fault = {
  name: 'postgres-restarted',
  title: 'PostgreSQL crashes and starts again under load',
  prepare,
  impossible: noPostgres,
  drainMs: DRAIN_MS,
  async run(nemesis) {
    const load = nemesis.load();
    for (let crash = 0; crash < nemesis.pick(3, 30); crash += 1) {
      await load.until(20);
      await nemesis.wait(0, 200);
      await postgresOf(nemesis).restart();
    }
    await load.until(20);
    await load.stop();
    nemesis.claim('no call was cut off', nemesis.cutOff === 0);
  },
};

const away: Fault = {
  name: 'postgres-away',
  title: 'PostgreSQL is away for a while',
  prepare,
  impossible: noPostgres,
  drainMs: DRAIN_MS,
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    await postgresOf(nemesis).halt();
    const isReady = async (): Promise<boolean> => (await nemesis.get('/health/ready')).status === 200;
    nemesis.claim('a gateway is told "not now"', await nemesis.until(() => nemesis.storeRefusals >= 3, 30_000));
    nemesis.claim('it says that it is not ready', await nemesis.until(async () => !(await isReady()), 30_000));
    nemesis.claim('it lives', (await nemesis.get('/health/live')).status === 200);
    await nemesis.wait(nemesis.pick(500, 20_000));
    await postgresOf(nemesis).restart();
    await load.until(20);
    await load.stop();
    nemesis.claim('it is ready again without a restart of its own', await nemesis.until(isReady, 30_000));
  },
};

const replicaKilled: Fault = {
  name: 'replica-killed',
  title: 'kill -9 of one of three replicas, again and again',
  prepare,
  impossible: noPostgres,
  drainMs: DRAIN_MS,
  async run(nemesis) {
    const replicas: ServiceProcess[] = [await nemesis.another(), await nemesis.another()];
    const all = (): readonly ServiceProcess[] => [nemesis.service, ...replicas];
    const load = nemesis.load({ clients: 6, url: (client) => (all()[client % 3] as ServiceProcess).url });
    for (let kill = 0; kill < nemesis.pick(3, 30); kill += 1) {
      await load.until(20);
      await nemesis.wait(0, 100);
      const victim = kill % replicas.length;
      await replicas[victim]?.kill();
      await load.until(5); // the others go on
      replicas[victim] = await nemesis.another();
    }
    await load.until(20);
    await load.stop();
    const codes = await Promise.all(replicas.map((replica) => replica.stop()));
    nemesis.claim(
      'the other replicas stop gracefully',
      codes.every((code) => code === 0),
    );
  },
};

export const REPLICAS: readonly Fault[] = [restarted, away, replicaKilled];
