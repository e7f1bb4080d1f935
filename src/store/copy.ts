/**
 * Moving a store from one database to another: every table, in one transaction of the target, read
 * again and compared before it is committed. What fails leaves the target as it was.
 */
import { sql, type Kysely } from 'kysely';
import { applyMissing, type ToStatements } from './migrator.ts';
import { MIGRATIONS } from './migrations/all.ts';
import { refuseOtherTables } from './read-only.ts';
import type { StoreSchema } from './schema.ts';
import { StoreNotOpened } from './store-not-opened.ts';

type Table = keyof StoreSchema;
type Eventually<Value> = Value | Promise<Value>;
type Row = Readonly<Record<string, string | number | null>>;

/** Every table with its primary key, behind the tables that it refers to. */
export const PRIMARY_KEYS: { readonly [Name in Table]: readonly (keyof StoreSchema[Name] & string)[] } = {
  migration: ['number'],
  health: ['id'],
  resource_version: ['seq'],
  observation: ['seq'],
  search_token: ['seq', 'role', 'value', 'system'],
  fingerprint: ['number'],
  refusal: ['number'],
  outbox_item: ['number'],
  outbox_concern: ['number', 'position'],
  ehr_copy: ['type', 'id'],
  audit_event: ['number'],
  audit_reference: ['number', 'reference'],
  audit_place: ['name'],
  mark: ['name'],
  legal_hold: ['person'],
  // nobody is signed out because the store moves
  page_session: ['digest'],
  subscription: ['number'],
  subscription_event: ['subscription', 'number'],
  export_job: ['number'],
};

const TABLES = Object.keys(PRIMARY_KEYS) as Table[];

/** Few enough that a batch of the widest table has fewer values than a statement may have (SQLite: 32,766). */
const BATCH = 1_000;

/** One of the two databases, inside its transaction. */
export interface CopyEnd {
  readonly db: Kysely<StoreSchema>;
  /** What its tables are made by. */
  readonly toStatements: ToStatements;
  /** A text of ours as this database hands it back. */
  readonly asKept: (text: string) => string;
  /** The names of all tables that are there, ours or not. */
  tables(): Eventually<readonly string[]>;
  /** The last number that was handed out of each table that hands out numbers, used or not. */
  lastNumbers(): Eventually<ReadonlyMap<string, number>>;
  /** Numbers go on behind this one. */
  setLastNumber(table: string, column: string, last: number): Eventually<void>;
  /** What the planner must be told of so many new rows. */
  settle(): Eventually<void>;
}

export interface CopiedTable {
  readonly name: string;
  readonly rows: number;
}

/** The target holds something already, or holds something else than the source after copying. */
export class CopyRefused extends Error {
  constructor(message: string) {
    super(message);
    this.name = 'CopyRefused';
  }
}

/**
 * Copies all tables and says how many rows each has. The caller commits `target`.
 *
 * Throws CopyRefused when the target is not empty or a table differs afterwards, StoreNotOpened
 * when the source is not a store of this release.
 */
export async function copyTables(source: CopyEnd, target: CopyEnd, nowMs: number): Promise<readonly CopiedTable[]> {
  await refuseOtherStores(source.db);
  refuseUnknown(await source.tables());
  if ((await target.tables()).length > 0) throw new CopyRefused('the target is not empty; give a new file, or an empty database');
  await applyMissing(target.db, MIGRATIONS, nowMs, target.toStatements);
  for (const table of [...TABLES].reverse()) await target.db.deleteFrom(table).execute();
  const copied: CopiedTable[] = [];
  for (const table of TABLES) {
    await copyRows(table, source, target);
    copied.push({ name: table, rows: await compareRows(table, source, target) });
  }
  for (const [table, last] of await source.lastNumbers()) {
    const [column] = PRIMARY_KEYS[table as Table];
    if (column !== undefined) await target.setLastNumber(table, column, last);
  }
  await target.settle();
  return copied;
}

async function refuseOtherStores(db: Kysely<StoreSchema>): Promise<void> {
  try {
    await refuseOtherTables(db);
  } catch (error) {
    throw error instanceof StoreNotOpened ? error : new StoreNotOpened('unusable', error);
  }
}

function refuseUnknown(tables: readonly string[]): void {
  const unknown = tables.filter((table) => !Object.hasOwn(PRIMARY_KEYS, table));
  if (unknown.length > 0) throw new CopyRefused(`the source has tables that this release does not know: ${unknown.join(', ')}`);
}

async function copyRows(table: Table, source: CopyEnd, target: CopyEnd): Promise<void> {
  let last: Row | undefined;
  do {
    const rows = await batchAfter(last, table, source);
    if (rows.length > 0) await target.db.insertInto(table).values(rows).execute();
    last = rows.length < BATCH ? undefined : rows.at(-1);
  } while (last !== undefined);
}

/** Reads both to their ends, side by side. Returns how many rows there are. */
async function compareRows(table: Table, source: CopyEnd, target: CopyEnd): Promise<number> {
  let last: Row | undefined;
  let count = 0;
  do {
    const [expected, found] = [await batchAfter(last, table, source), await batchAfter(last, table, target)];
    if (expected.length !== found.length || expected.some((row, at) => !isSame(row, found[at])))
      throw new CopyRefused(`the copy of table ${table} differs from the source; nothing was kept. See that no service runs on the source`);
    count += expected.length;
    last = expected.length < BATCH ? undefined : expected.at(-1);
  } while (last !== undefined);
  return count;
}

function isSame(row: Row, other: Row | undefined): boolean {
  return (
    other !== undefined &&
    Object.keys(row).length === Object.keys(other).length &&
    Object.keys(row).every((name) => row[name] === other[name])
  );
}

/** The next rows by primary key, texts as they were before any database. */
async function batchAfter(last: Row | undefined, table: Table, end: CopyEnd): Promise<Row[]> {
  const keys = PRIMARY_KEYS[table] as readonly string[];
  const columns = sql.join(keys.map((key) => sql.ref(key)));
  const beyond = last === undefined ? sql`1 = 1` : sql`(${columns}) > (${sql.join(keys.map((key) => last[key]))})`;
  const { rows } = await sql<Row>`select * from ${sql.table(table)} where ${beyond} order by ${columns} limit ${BATCH}`.execute(end.db);
  return rows.map((row) =>
    Object.fromEntries(Object.entries(row).map(([name, value]) => [name, typeof value === 'string' ? end.asKept(value) : value])),
  );
}
