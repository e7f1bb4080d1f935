/** The disk is full, the file is locked, read-only or damaged, or somebody else has it. */
import { execFile } from 'node:child_process';
import { appendFileSync, chmodSync, copyFileSync, existsSync, mkdirSync, readFileSync, statSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { promisify } from 'node:util';
import Database from 'better-sqlite3';
import type { Fault } from '../fault.ts';
import type { Nemesis } from '../nemesis.ts';
import { answeredReadings } from '../history.ts';
import { NotStarted, type ServiceProcess } from '../service-process.ts';

const run = promisify(execFile);
/** What SQLite makes a file of, unless told otherwise. */
const PAGE_BYTES = 4_096;

async function lacks(program: string, ...args: string[]): Promise<string | undefined> {
  return run(program, args).then(
    () => undefined,
    () => `this machine has no ${program}`,
  );
}

/** While it lasts every answer is "not now"; reads go on; afterwards it serves as if nothing had been. */
async function whileNotWritable(nemesis: Nemesis, begin: () => unknown, end: () => unknown): Promise<void> {
  const load = nemesis.load();
  await load.until(20);
  await begin();
  const refused = await nemesis.until(() => nemesis.storeRefusals >= 3, 30_000);
  nemesis.claim('a gateway is told "not now"', refused);
  // a last small commit may still find room
  const isReady = async (): Promise<boolean> => (await nemesis.get('/health/ready')).status === 200;
  nemesis.claim('it says that it is not ready', await nemesis.until(async () => !(await isReady()), 30_000));
  nemesis.claim('it lives', (await nemesis.get('/health/live')).status === 200);
  nemesis.claim('what is stored can be read', (await nemesis.get('/fhir/Observation?_count=5')).status === 200);
  await end();
  await load.until(20);
  await load.stop();
  nemesis.claim('it is ready again without a restart', await nemesis.isReadyAgain());
}

const diskFull: Fault = {
  name: 'disk-full',
  title: 'no room for the store to grow (file size limit), later lifted',
  impossible: () => lacks('prlimit', '--version'),
  run: (nemesis) => {
    const limit = (bytes: string): Promise<unknown> => run('prlimit', ['--pid', String(nemesis.service.pid), `--fsize=${bytes}:`]);
    const grown = (): number => Math.max(...[nemesis.database, `${nemesis.database}-wal`].map((file) => statSync(file).size));
    return whileNotWritable(
      nemesis,
      () => limit(String(grown() + 20_000)),
      () => limit('unlimited'),
    );
  },
};

const lockedStore: Fault = {
  name: 'locked-store',
  title: 'another process holds the write lock',
  async run(nemesis) {
    const other = new Database(nemesis.database);
    try {
      await whileNotWritable(
        nemesis,
        () => other.exec('begin immediate'),
        async () => {
          await nemesis.wait(nemesis.pick(500, 8_000));
          other.exec('rollback');
        },
      );
    } finally {
      other.close();
    }
  },
};

const twoProcesses: Fault = {
  name: 'two-processes',
  title: 'a second service on one SQLite file',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    for (let tries = 0; tries < nemesis.pick(2, 10); tries += 1) {
      const refusal = await whyNotStarted(nemesis, nemesis.database);
      nemesis.claim(
        'the second is turned away with 1 and a sentence',
        refusal?.exit.code === 1 && refusal.err.includes('another running process'),
      );
    }
    await load.until(20);
    await load.stop();
    nemesis.claim('the first served all the while', nemesis.cutOff === 0 && nemesis.storeRefusals === 0);
  },
};

/** Undefined when it did start; then it is ended again. */
async function whyNotStarted(nemesis: Nemesis, database: string, under?: readonly [string, ...string[]]): Promise<NotStarted | undefined> {
  try {
    const service = await nemesis.another({ STEELYARD_DATABASE: database, STEELYARD_PORT: '0' }, under ? { under } : {});
    await service.kill();
    return undefined;
  } catch (error) {
    if (error instanceof NotStarted) return error;
    throw error;
  }
}

/** Root without the right to pass over permissions; reading folders that only root may enter stays. */
const BOUND_BY_PERMISSIONS = ['setpriv', '--bounding-set=-dac_override', '--inh-caps=-dac_override'] as const;
const isRoot = process.getuid?.() === 0;

const readOnlyFolder: Fault = {
  name: 'read-only-folder',
  title: 'the folder of the store may not be written to',
  impossible: async () => {
    if (!isRoot) return undefined;
    const [program, ...args] = BOUND_BY_PERMISSIONS;
    return (await lacks(program, ...args, 'true')) && 'root ignores permissions, and cannot be bound by them here';
  },
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(20);
    await load.stop();
    await nemesis.stop();
    const folder = join(nemesis.folder, 'sealed');
    const file = join(folder, 'ward.db');
    mkdirSync(folder);
    copyFileSync(nemesis.database, file);
    chmodSync(folder, 0o555);
    const refusal = await whyNotStarted(nemesis, file, isRoot ? BOUND_BY_PERMISSIONS : undefined);
    chmodSync(folder, 0o755);
    const says = refusal?.err.startsWith('STEELYARD_DATABASE: ') === true && refusal.err.includes('may be written to');
    nemesis.claim('the start is refused with 78 and says what to see to', refusal?.exit.code === 78 && says);
  },
};

const tornLog: Fault = {
  name: 'torn-log',
  title: 'kill -9, and the write-ahead log ends in half a frame',
  async run(nemesis) {
    const load = nemesis.load();
    for (let kill = 0; kill < nemesis.pick(2, 20); kill += 1) {
      await load.until(20);
      await nemesis.kill();
      const log = `${nemesis.database}-wal`;
      nemesis.claim('there is a log to be torn', existsSync(log) && statSync(log).size > 0);
      appendFileSync(log, Buffer.from(Array.from({ length: nemesis.random.whole(1, 4_000) }, () => nemesis.random.whole(0, 255))));
      await nemesis.start();
    }
    await load.until(20);
    await load.stop();
  },
};

/** Texts of all Observations that a service gives out, by id; the rest answers with an error. */
async function served(nemesis: Nemesis, service: ServiceProcess, ids: readonly string[]): Promise<ReadonlyMap<string, string>> {
  const texts = new Map<string, string>();
  for (const id of ids) {
    const answer = await nemesis.get(`/fhir/Observation/${id}`, { service });
    if (answer.status === 200) texts.set(id, answer.body);
  }
  return texts;
}

const damagedPage: Fault = {
  name: 'damaged-page',
  title: 'pages of the file overwritten with noise, in copies of the store',
  async run(nemesis) {
    const load = nemesis.load();
    await load.until(nemesis.pick(80, 400));
    await load.stop();
    const ids = [...new Set(answeredReadings(nemesis.history.lines).flatMap(({ answer }) => answer.id ?? []))];
    const whole = await served(nemesis, nemesis.service, ids);
    await nemesis.stop();
    const bytes = readFileSync(nemesis.database);
    const pages = bytes.length / PAGE_BYTES;
    let refused = 0;
    const trials = nemesis.pick(5, 60);
    for (let trial = 0; trial < trials; trial += 1) {
      const file = join(nemesis.folder, `damaged-${trial}.db`);
      const at = nemesis.random.whole(1, pages - 1) * PAGE_BYTES;
      const damaged = Buffer.from(bytes);
      for (let place = 0; place < 256; place += 1) damaged[at + place] = nemesis.random.whole(0, 255);
      writeFileSync(file, damaged);
      const service = await nemesis.another({ STEELYARD_DATABASE: file, STEELYARD_PORT: '0' }).catch(onlyNotStarted);
      if (service instanceof NotStarted) refused += 1;
      else {
        const now = await served(nemesis, service, ids);
        nemesis.claim(
          'a damaged store that starts gives out nothing wrong',
          [...now].every(([id, text]) => whole.get(id) === text),
        );
        await service.kill();
      }
    }
    nemesis.claim('a store with a noisy page is refused at the start, as a rule', refused >= trials / 2);
    await nemesis.start();
  },
};

function onlyNotStarted(error: unknown): NotStarted {
  if (error instanceof NotStarted) return error;
  throw error;
}

export const STORE_FAULTS: readonly Fault[] = [diskFull, lockedStore, twoProcesses, readOnlyFolder, tornLog, damagedPage];
