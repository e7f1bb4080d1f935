/**
 * How long the oldest held reading has been held. A mark on it (somebody asked for a second
 * weighing) makes a new version and no new age: the wait began with the first version since which
 * all have been held.
 */
import { sql, type Kysely, type SqlBool } from 'kysely';
import type { StoreSchema } from './schema.ts';

/** Undefined when nothing is held. */
export async function heldSince(db: Kysely<StoreSchema>): Promise<string | undefined> {
  const lastNotHeld = db
    .selectFrom('resource_version as earlier')
    .innerJoin('observation as was', 'was.seq', 'earlier.seq')
    .select((eb) => eb.fn.coalesce(eb.fn.max('earlier.version'), sql<number>`0`).as('version'))
    .where('earlier.type', '=', 'Observation')
    .whereRef('earlier.id', '=', sql.ref('now_held.id'))
    .where('was.held', '=', 0);
  const row = await db
    .selectFrom('observation')
    .innerJoin('resource_version as now_held', 'now_held.seq', 'observation.seq')
    .innerJoin('resource_version as since', (join) =>
      // wrapped, the type is no reason to begin with all Observations: what is held is few
      join.onRef('since.id', '=', 'now_held.id').on(sql<SqlBool>`coalesce(since.type, '') = 'Observation'`),
    )
    .select((eb) => eb.fn.min('since.last_updated').as('instant'))
    // word for word the condition of the index of rare statuses: what is held is never final
    .where(sql<SqlBool>`observation.status <> 'final'`)
    .where('observation.held', '=', 1)
    .where('now_held.superseded_seq', 'is', null)
    .where('since.version', '>', lastNotHeld)
    .executeTakeFirst();
  return row?.instant ?? undefined;
}
