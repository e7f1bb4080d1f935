/** Removing people whose time is over, cut off in the middle. */
import Database from 'better-sqlite3';
import { setTimeout as pause } from 'node:timers/promises';
import type { Fault } from '../fault.ts';
import { MARKER } from '../gateway-plan.ts';
import type { SentReading } from '../history.ts';
import type { Nemesis } from '../nemesis.ts';

const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
/** Old enough to be removed, and not so old that it would be held (`time.oldestDays`); everybody else's readings are of the last 20 days. */
const AGE_MS = 29 * DAY_MS;
/** The command's clock is ahead, so that the audit of today is old too. */
const AHEAD_MS = 2 * DAY_MS;
/** Long enough for somebody else to begin a unit of work. */
const GAP_MS = 2;
/** No unit of work takes as long. */
const PATIENCE_MS = 30_000;
const PURGE = ['purge', '--people', '28', '--audit', '1', '--remove'] as const;

/** Somebody who was weighed a month ago. */
interface OldPerson {
  readonly key: string;
  /** On hold, or waiting for a decision: stays. */
  readonly stays: boolean;
  readonly traces: Traces;
  /** How many rows of which table were about them, see `rowsOf`. */
  readonly rows: string;
}

const killDuringPurge: Fault = {
  name: 'kill-during-purge',
  title: 'kill -9 of a removal of old people and old audit at random moments, under load',
  async run(nemesis) {
    const keys = Array.from({ length: nemesis.pick(60, 240) }, (_, place) => `Patient/${MARKER}-old-${String(place).padStart(3, '0')}`);
    const [held, waiting] = keys as [string, string];
    for (let at = 0; at < keys.length; at += 10) await Promise.all(keys.slice(at, at + 10).map((key) => tellOf(nemesis, key)));
    await nemesis.tell(readingOf(waiting, 9, 'weight', '99.9'));
    const arrived = await nemesis.until(
      async () => (await nemesis.metric('steelyard_outbox_waiting', { isCalm: true })) === 0,
      nemesis.pick(30_000, 120_000),
    );
    nemesis.claim('all of the old people is at the EHR', arrived);
    const hold = await nemesis.command(['hold', 'add', held, '--reason', 'an invented reason']).result;
    nemesis.claim('a person is put on legal hold', hold.code === 0);
    const people = keys.map((key) => personOf(nemesis, key, key === held || key === waiting));
    for (const { key, stays } of people) if (!stays) nemesis.history.add({ at: 'removed', person: key });

    const load = nemesis.load();
    await load.until(10);
    const cutOff = await killAgainAndAgain(nemesis, people);
    nemesis.claim('a removal was cut off with some people gone and some there', cutOff > 0);
    const last = await nemesis.command(PURGE, { shiftMs: AHEAD_MS }).result;
    nemesis.claim('a removal that was cut off is done to its end by the next', last.code === 0);
    const left = people.map((one) => ({ ...one, left: rowsOf(nemesis, one.traces) }));
    const harmed = left.filter((one) => one.stays && one.left !== one.rows);
    nemesis.claim(`who is on hold or waits for a decision stays whole, and not ${listOf(harmed)}`, harmed.length === 0);
    const remains = left.filter((one) => !one.stays && one.left !== '');
    nemesis.claim(`nothing is left of who is removed, and not ${listOf(remains)}`, remains.length === 0);
    await load.until(10);
    await load.stop();
    nemesis.claim('no gateway was cut off', nemesis.cutOff === 0);
  },
};

/** How often it was really in the middle. */
async function killAgainAndAgain(nemesis: Nemesis, people: readonly OldPerson[]): Promise<number> {
  let cutOff = 0;
  for (let kill = 0; kill < nemesis.pick(4, 40); kill += 1) {
    const [before, events] = [peopleLeft(nemesis), oldestEvent(nemesis)];
    const purge = nemesis.command(PURGE, { shiftMs: AHEAD_MS });
    const awaitsPeople = nemesis.random.whole(0, 3) > 0;
    const hasBegun = (): boolean => peopleLeft(nemesis) < before || (!awaitsPeople && oldestEvent(nemesis) !== events);
    await lookAgainAndAgain(nemesis, () => purge.isOver() || hasBegun());
    standStill(nemesis.random.whole(0, 30)); // it may be asleep, waiting for us
    purge.kill();
    await purge.result;
    const after = peopleLeft(nemesis);
    if (after < before && after > 2) cutOff += 1;
    const halves = people
      .map((one) => ({ ...one, left: rowsOf(nemesis, one.traces) }))
      .filter(({ stays, rows, left }) => left !== rows && (stays || left !== ''));
    nemesis.claim(`nobody is removed by half, and not ${listOf(halves)}`, halves.length === 0);
  }
  return cutOff;
}

/**
 * Looks until there is something to see. The store lets nobody write but in short gaps, since this process is busy
 * with gateways too: a removal would else be over before the next look, and nothing of it cut off.
 */
async function lookAgainAndAgain({ database }: Nemesis, sees: () => boolean): Promise<void> {
  const store = new Database(database, { timeout: 0 });
  try {
    for (;;) {
      lock(store);
      if (sees()) return;
      await pause(1);
      store.exec('rollback');
      standStill(GAP_MS);
    }
  } finally {
    store.close();
  }
}

/** Keeps everybody else from writing, from between two of their units of work on. Tried without a rest: SQLite's own waiting for a lock loses against one who takes it again at once. */
function lock(store: Database.Database): void {
  const latest = performance.now() + PATIENCE_MS;
  for (;;) {
    try {
      store.exec('begin immediate');
      return;
    } catch (error) {
      const isTaken = error instanceof Database.SqliteError && error.code.startsWith('SQLITE_BUSY');
      if (!isTaken || performance.now() > latest) throw error;
    }
  }
}

/** Waits without giving anything else of this process a turn, which could take longer than a removal. */
function standStill(ms: number): void {
  Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, ms);
}

/** The first of them, for a message. */
function listOf(people: readonly { readonly left: string; readonly rows: string }[]): string {
  return people
    .slice(0, 1)
    .map(({ left, rows }) => `${people.length} as this one: ${left} of ${rows}`)
    .join('');
}

async function tellOf(nemesis: Nemesis, key: string): Promise<void> {
  await nemesis.tell(readingOf(key, 0, 'height', '171.5'));
  for (const hour of [1, 2]) await nemesis.tell(readingOf(key, hour, 'weight', `70.${hour}`));
}

function readingOf(person: string, hour: number, of: SentReading['of'], digits: string): SentReading {
  const effective = new Date(Date.now() - AGE_MS + hour * HOUR_MS).toISOString().replace(/\.\d+Z$/, 'Z');
  return { identifier: `${person.slice('Patient/'.length)}-${hour}`, of, digits, status: 'final', person, effective };
}

/** By what a person's rows are found, also when half of them are gone. */
interface Traces {
  readonly key: string;
  readonly ids: readonly string[];
  readonly seqs: readonly number[];
  readonly numbers: readonly number[];
}

function personOf(nemesis: Nemesis, key: string, stays: boolean): OldPerson {
  const traces = inStore(nemesis, (store): Traces => {
    const list = <Value>(query: string, ...parameters: readonly string[]): Value[] =>
      store
        .prepare(query)
        .pluck()
        .all(...parameters) as Value[];
    const own = list<string>("select distinct id from resource_version where type = 'Observation' and instr(content, ?) > 0", key);
    const about = "from resource_version where instr(content, ?) > 0 or instr(content, 'Observation/' || ?) > 0";
    const unique = <Value>(column: string): Value[] => [...new Set(own.flatMap((id) => list<Value>(`select ${column} ${about}`, key, id)))];
    return { key, ids: unique('id'), seqs: unique('seq'), numbers: list('select number from outbox_item where person = ?', key) };
  });
  return { key, stays, traces, rows: rowsOf(nemesis, traces) };
}

const BY_SEQ = ['resource_version', 'observation', 'search_token'] as const;
const BY_NUMBER = ['outbox_item', 'outbox_concern'] as const;

/** How many rows of which table are about the person, in words; empty when there are none. The audit and holds keep their own time. */
function rowsOf(nemesis: Nemesis, { key, ids, seqs, numbers }: Traces): string {
  const among = (values: readonly unknown[]): string => JSON.stringify(values);
  return inStore(nemesis, (store) => {
    const count = (table: string, condition: string, parameter: string): readonly [string, number] => [
      table,
      Number(store.prepare(`select count(*) from ${table} where ${condition}`).pluck().get(parameter)),
    ];
    const counts = [
      ...BY_SEQ.map((table) => count(table, 'seq in (select value from json_each(?))', among(seqs))),
      ...BY_NUMBER.map((table) => count(table, 'number in (select value from json_each(?))', among(numbers))),
      count('fingerprint', 'observation_id in (select value from json_each(?))', among(ids)),
      count('ehr_copy', 'id in (select value from json_each(?))', among(ids)),
      count('refusal', 'instr(content, ?) > 0', key),
    ];
    return counts.flatMap(([table, rows]) => (rows === 0 ? [] : [`${table} ${rows}`])).join(', ');
  });
}

/** Opened and closed each time: whoever looks must not hold anything back. */
function inStore<Result>({ database }: Nemesis, look: (store: Database.Database) => Result): Result {
  const store = new Database(database, { readonly: true });
  try {
    return look(store);
  } finally {
    store.close();
  }
}

function peopleLeft(nemesis: Nemesis): number {
  const query = `select count(distinct person) from observation where person like 'Patient/${MARKER}-old-%'`;
  return inStore(nemesis, (store) => Number(store.prepare(query).pluck().get()));
}

function oldestEvent(nemesis: Nemesis): number {
  return inStore(nemesis, (store) => Number(store.prepare('select min(number) from audit_event').pluck().get()));
}

export const PURGES: readonly Fault[] = [killDuringPurge];
