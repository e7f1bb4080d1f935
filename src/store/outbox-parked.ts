/** What an operator sees of parked items before they are sent again. */
import { sql, type Kysely, type Selectable } from 'kysely';
import type { ParkedFilter } from '../ports.ts';
import type { OutboxItemTable, StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** No more in one query, whatever database is under it. */
const MOST_AT_ONCE = 500;

/** Parked items that are parked for their own sake, oldest first. */
export async function releasable(db: Db, filter: ParkedFilter): Promise<readonly Selectable<OutboxItemTable>[]> {
  if (filter.numbers === undefined) return parkedThemselves(db, filter).execute();
  const rows = [];
  for (const numbers of chunksOf(filter.numbers)) rows.push(...(await parkedThemselves(db, { ...filter, numbers }).execute()));
  return rows.sort((a, b) => a.number - b.number);
}

function parkedThemselves(db: Db, { numbers, reasonLike, since, until }: ParkedFilter) {
  let query = db.selectFrom('outbox_item').selectAll().where('state', '=', 'parked').where('blocked_by', 'is', null).orderBy('number');
  if (numbers !== undefined) query = query.where('number', 'in', numbers);
  if (reasonLike !== undefined) query = query.where(sql<boolean>`lower(reason) like ${partOf(reasonLike.toLowerCase())} escape '!'`);
  if (since !== undefined) query = query.where('queued_at', '>=', since);
  if (until !== undefined) query = query.where('queued_at', '<', until);
  return query;
}

function partOf(text: string): string {
  return `%${text.replaceAll(/[!%_]/g, '!$&')}%`;
}

/** The items that each of these holds back, in order. */
export async function waitingFor(db: Db, numbers: readonly number[]): Promise<ReadonlyMap<number, readonly number[]>> {
  const held = new Map<number, number[]>();
  for (const some of chunksOf(numbers)) {
    const rows = await db
      .selectFrom('outbox_item')
      .select(['number', 'blocked_by as blocker'])
      .where('blocked_by', 'in', some)
      .orderBy('number')
      .execute();
    for (const { number, blocker } of rows) if (blocker !== null) held.set(blocker, [...(held.get(blocker) ?? []), number]);
  }
  return held;
}

function chunksOf(numbers: readonly number[]): readonly (readonly number[])[] {
  return Array.from({ length: Math.ceil(numbers.length / MOST_AT_ONCE) }, (_, at) =>
    numbers.slice(at * MOST_AT_ONCE, (at + 1) * MOST_AT_ONCE),
  );
}
