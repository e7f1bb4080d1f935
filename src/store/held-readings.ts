/**
 * What is held now, and since when. A mark on a reading (somebody asked for a second weighing)
 * makes a new version and no new age: the wait began with the first version since which all have
 * been held.
 */
import { sql, type Kysely, type SqlBool } from 'kysely';
import type { HeldReading } from '../ports.ts';
import { fromReadingText } from './reading-row.ts';
import type { StoreSchema } from './schema.ts';

/** Of one reading, or of that which has been held longest. Undefined when it is not held, or nothing is. */
export async function heldSince(db: Kysely<StoreSchema>, id?: string): Promise<string | undefined> {
  const held = versionsHeld(db);
  const row = await (id === undefined ? held : held.where('now_held.id', '=', id))
    .select((eb) => eb.fn.min('since.last_updated').as('instant'))
    .executeTakeFirst();
  return row?.instant ?? undefined;
}

/** Those that have been held longest first. */
export async function heldReadings(db: Kysely<StoreSchema>, limit: number): Promise<readonly HeldReading[]> {
  const rows = await versionsHeld(db)
    .select(['now_held.id', 'now_held.version', 'observation.person', 'observation.moves', 'observation.reading'])
    .select((eb) => eb.fn.min('since.last_updated').as('instant'))
    .where('observation.reading', 'is not', null)
    .groupBy(['now_held.seq', 'now_held.id', 'now_held.version', 'observation.person', 'observation.moves', 'observation.reading'])
    .orderBy('instant')
    .limit(limit)
    .execute();
  return rows.flatMap(({ reading, instant, ...columns }) =>
    reading === null ? [] : [{ reading: fromReadingText(reading, columns), since: instant }],
  );
}

/** Changes whenever a reading comes to wait, goes, or waits otherwise. */
export async function heldMark(db: Kysely<StoreSchema>): Promise<string> {
  const row = await db
    .selectFrom('observation')
    .innerJoin('resource_version as now_held', 'now_held.seq', 'observation.seq')
    .select((eb) => [eb.fn.countAll().as('count'), eb.fn.max('now_held.seq').as('newest'), eb.fn.sum('now_held.seq').as('sum')])
    .where(isHeldNow)
    .executeTakeFirstOrThrow();
  return [row.count, row.newest ?? 0, row.sum ?? 0].join('-');
}

/** Each current held version (`now_held`), beside every version of it (`since`) since which it has been held throughout. */
function versionsHeld(db: Kysely<StoreSchema>) {
  const lastNotHeld = db
    .selectFrom('resource_version as earlier')
    .innerJoin('observation as was', 'was.seq', 'earlier.seq')
    .select((eb) => eb.fn.coalesce(eb.fn.max('earlier.version'), sql<number>`0`).as('version'))
    .where('earlier.type', '=', 'Observation')
    .whereRef('earlier.id', '=', sql.ref('now_held.id'))
    .where('was.held', '=', 0);
  return db
    .selectFrom('observation')
    .innerJoin('resource_version as now_held', 'now_held.seq', 'observation.seq')
    .innerJoin('resource_version as since', (join) =>
      // wrapped, the type is no reason to begin with all Observations: what is held is few
      join.onRef('since.id', '=', 'now_held.id').on(sql<SqlBool>`coalesce(since.type, '') = 'Observation'`),
    )
    .where(isHeldNow)
    .where('since.version', '>', lastNotHeld);
}

/** The first condition is word for word that of the index of rare statuses: what is held is never final. */
const isHeldNow = () => sql<SqlBool>`observation.status <> 'final' and observation.held = 1 and now_held.superseded_seq is null`;
