/**
 * Pages that neither skip nor repeat a row while others write.
 *
 * The first page fixes a snapshot: the highest version number of that moment. Versions are only
 * ever added and superseded, so what stood at the snapshot can be told at any later time, and a
 * page goes on after the last row's sort keys. The link carries both.
 */
import { sql, type Kysely, type RawBuilder, type SqlBool } from 'kysely';
import { ServiceError } from '../errors.ts';
import type { StoredResource } from '../ports.ts';
import type { ResourceVersionTable, StoreSchema } from './schema.ts';

export interface SortKey {
  readonly column: 'observation.start_ms' | 'resource_version.last_updated' | 'resource_version.id' | 'resource_version.seq';
  readonly descending: boolean;
}

type KeyValue = string | number;

export interface Position {
  readonly snapshot: number;
  /** Sort key values of the last row that was served; empty before the first page. */
  readonly after: readonly KeyValue[];
}

const LONGEST_CURSOR = 512;

function badCursor(): ServiceError {
  return new ServiceError('ERR_BAD_VALUE', 'the page link is not one that this search gave; start again at the first page');
}

/** Names the sort, so that a link is not used with another one. */
function signature(sort: readonly SortKey[]): string {
  return sort.map(({ column, descending }) => `${descending ? '-' : ''}${column}`).join();
}

export function toCursor(position: Position, sort: readonly SortKey[]): string {
  return Buffer.from(JSON.stringify([position.snapshot, signature(sort), ...position.after])).toString('base64url');
}

/** Throws ServiceError ERR_BAD_VALUE when the text is no cursor of a search with this sort. */
export function fromCursor(cursor: string, sort: readonly SortKey[]): Position {
  if (cursor.length > LONGEST_CURSOR || !/^[\w-]+$/.test(cursor)) throw badCursor();
  let content: unknown;
  try {
    content = JSON.parse(Buffer.from(cursor, 'base64url').toString());
  } catch {
    throw badCursor();
  }
  if (!Array.isArray(content)) throw badCursor();
  const [snapshot, sorted, ...after] = content as unknown[];
  if (!isCount(snapshot) || sorted !== signature(sort) || after.length !== sort.length) throw badCursor();
  if (!after.every((value, at) => isKeyValue(value, sort[at]))) throw badCursor();
  return { snapshot, after: after };
}

function isCount(value: unknown): value is number {
  return Number.isSafeInteger(value) && (value as number) >= 0;
}

function isKeyValue(value: unknown, key: SortKey | undefined): value is KeyValue {
  const isNumeric = key?.column === 'observation.start_ms' || key?.column === 'resource_version.seq';
  return isNumeric ? Number.isSafeInteger(value) : typeof value === 'string';
}

/** Where to begin: at the cursor, or before the first row of what stands now. */
export async function positionOf(db: Kysely<StoreSchema>, cursor: string | undefined, sort: readonly SortKey[]): Promise<Position> {
  if (cursor !== undefined) return fromCursor(cursor, sort);
  const row = await db.selectFrom('resource_version').select('seq').orderBy('seq', 'desc').limit(1).executeTakeFirst();
  return { snapshot: row?.seq ?? 0, after: [] };
}

/** True of the versions that stood at the snapshot. */
export function stoodAt(snapshot: number): RawBuilder<SqlBool> {
  // the plus keeps the planner from walking the whole table by seq
  return sql<SqlBool>`(+resource_version.seq <= ${snapshot}
    and (resource_version.superseded_seq is null or resource_version.superseded_seq > ${snapshot}))`;
}

/** True of the rows that come after the position in the given order. */
export function comesAfter(after: readonly KeyValue[], sort: readonly SortKey[]): RawBuilder<SqlBool> {
  const [key, ...otherKeys] = sort;
  const [value, ...otherValues] = after;
  if (key === undefined || value === undefined) return sql`1 = 1`;
  const column = sql.ref(key.column);
  const beyond = key.descending ? sql<SqlBool>`${column} < ${value}` : sql<SqlBool>`${column} > ${value}`;
  if (otherKeys.length === 0) return beyond;
  return sql<SqlBool>`(${beyond} or (${column} = ${value} and ${comesAfter(otherValues, otherKeys)}))`;
}

export const VERSION_COLUMNS = [
  'resource_version.type',
  'resource_version.id',
  'resource_version.version',
  'resource_version.last_updated',
  'resource_version.content',
] as const;

export function toStoredResource(row: Pick<ResourceVersionTable, 'type' | 'id' | 'version' | 'last_updated' | 'content'>): StoredResource {
  return { type: row.type, id: row.id, version: row.version, lastUpdated: row.last_updated, text: row.content };
}
