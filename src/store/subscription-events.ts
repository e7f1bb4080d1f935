/**
 * What subscribers are told of, and under which numbers.
 *
 * A version of an Observation is told of when a search would show it by default: when it is not
 * held. One that is held is told of too if an earlier version of it was not, since a chart must not
 * go on showing as certain what is in doubt; the same as with what is sent to the EHR.
 *
 * Versions become visible in the order of their `seq` (one writer at a time, on both databases), so
 * that whoever reads on behind a `seq` passes nothing over.
 */
import { sql, type Expression, type ExpressionBuilder, type Kysely, type SqlBool } from 'kysely';
import { toInstant } from '../core/fhir-time.ts';
import type { EventPage, SubscriptionEvent, SubscriptionFilter } from '../ports.ts';
import { toStoredResource, VERSION_COLUMNS } from './paging.ts';
import type { StoreSchema } from './schema.ts';
import { carriesToken } from './search-filters.ts';

type Db = Kysely<StoreSchema>;
type Observations = ExpressionBuilder<StoreSchema, 'resource_version' | 'observation'>;

/** How many versions are looked through at one time, whether they are told of or not. */
const LONGEST_LOOK = 10_000;

/** How long a subscriber may ask for events again (common practice, no source: a month). */
const KEPT_MS = 30 * 86_400_000;
/** Removed at one time, so that no writer waits for long. */
const MOST_REMOVED = 1_000;

/** The `seq` of the newest version; 0 in an empty store. */
export async function newestSeq(db: Db): Promise<number> {
  const row = await db.selectFrom('resource_version').select('seq').orderBy('seq', 'desc').limit(1).executeTakeFirst();
  return Number(row?.seq ?? 0);
}

/** The versions that are told of behind one `seq` and up to another, in order. */
export function toldBetween(db: Db, from: number, to: number, filter: SubscriptionFilter) {
  return db
    .selectFrom('observation')
    .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
    .where('observation.seq', '>', from)
    .where('observation.seq', '<=', to)
    .where((eb) => eb.and([isTold(eb), ...fits(eb, filter)]))
    .orderBy('observation.seq');
}

function isTold(eb: Observations): Expression<SqlBool> {
  const wasToldBefore = eb.exists(
    eb
      .selectFrom('resource_version as earlier')
      .innerJoin('observation as known', 'known.seq', 'earlier.seq')
      .select('earlier.seq')
      .whereRef('earlier.id', '=', 'resource_version.id')
      .where('earlier.type', '=', 'Observation')
      .whereRef('earlier.seq', '<', 'resource_version.seq')
      .where('known.held', '=', 0),
  );
  return eb.or([eb('observation.held', '=', 0), wasToldBefore]);
}

function fits(eb: Observations, { codes, categories }: SubscriptionFilter): Expression<SqlBool>[] {
  return [...(codes ? [carriesToken(eb, 'code', codes)] : []), ...(categories ? [carriesToken(eb, 'category', categories)] : [])];
}

/** What was found, and up to where was looked; `isAll` when there is nothing behind that. */
export interface Look {
  readonly seqs: readonly number[];
  readonly upTo: number;
  readonly isAll: boolean;
}

/** Looks on behind `from`: at most `limit` versions, and never through more than {@link LONGEST_LOOK}. */
export async function lookOn(db: Db, from: number, filter: SubscriptionFilter, limit: number): Promise<Look> {
  const newest = await newestSeq(db);
  const end = Math.min(newest, from + LONGEST_LOOK);
  const rows = await toldBetween(db, from, end, filter).select('observation.seq').limit(limit).execute();
  const last = rows.at(-1);
  const upTo = last !== undefined && rows.length === limit ? Number(last.seq) : Math.max(from, end);
  return { seqs: rows.map(({ seq }) => Number(seq)), upTo, isAll: upTo >= newest };
}

/** Gives the versions the numbers behind `numbered`. */
export async function numberEvents(db: Db, subscription: number, numbered: number, seqs: readonly number[], nowMs: number): Promise<void> {
  const numbered_at = toInstant(nowMs);
  const rows = seqs.map((seq, at) => ({ subscription, number: numbered + 1 + at, seq, numbered_at }));
  if (rows.length > 0) await db.insertInto('subscription_event').values(rows).execute();
}

/** Removes what the subscriber took long ago. */
export async function removeOldEvents(db: Db, subscription: number, delivered: number, nowMs: number): Promise<void> {
  await db
    .deleteFrom('subscription_event')
    .where('subscription', '=', subscription)
    .where('number', 'in', (eb) =>
      eb
        .selectFrom('subscription_event as old')
        .select('old.number')
        .where('old.subscription', '=', subscription)
        .where('old.number', '<=', delivered)
        .where('old.numbered_at', '<', toInstant(nowMs - KEPT_MS))
        .orderBy('old.number')
        .limit(MOST_REMOVED),
    )
    .execute();
}

export async function readEvents(db: Db, subscription: number, from: number, to: number, limit: number): Promise<SubscriptionEvent[]> {
  const rows = await db
    .selectFrom('subscription_event')
    .leftJoin('resource_version', 'resource_version.seq', 'subscription_event.seq')
    .leftJoin('observation', 'observation.seq', 'subscription_event.seq')
    .select([...VERSION_COLUMNS, 'subscription_event.number', 'subscription_event.numbered_at', 'observation.person'])
    .where('subscription_event.subscription', '=', subscription)
    .where('subscription_event.number', '>=', from)
    .where('subscription_event.number', '<=', to)
    .orderBy('subscription_event.number')
    .limit(limit)
    .execute();
  return rows.map(({ number, numbered_at, person, type, id, version, last_updated, content }) => ({
    number: Number(number),
    at: numbered_at,
    ...(person !== null && { person }),
    ...(type !== null &&
      id !== null &&
      version !== null &&
      last_updated !== null &&
      content !== null && { resource: toStoredResource({ type, id, version, last_updated, content }) }),
  }));
}

export async function eventPage(
  db: Db,
  { number, numbered }: { readonly number: number; readonly numbered: number },
  range: { readonly from?: number; readonly to: number; readonly limit: number },
): Promise<EventPage> {
  const { first } = await db
    .selectFrom('subscription_event')
    .select((eb) => eb.fn.min('number').as('first'))
    .where('subscription', '=', number)
    .executeTakeFirstOrThrow();
  const firstKept = first === null ? numbered + 1 : Number(first);
  const events = await readEvents(db, number, range.from ?? firstKept, range.to, range.limit);
  return { events, numbered, firstKept };
}

/** Events of removed versions stay, without what they spoke of: a number that is missing would be a gap. */
export async function forgetVersions(db: Db, seqs: readonly number[]): Promise<void> {
  await db.updateTable('subscription_event').set({ seq: null }).where('seq', 'in', seqs).execute();
}

/** How many versions wait to be told of, counted up to `most`, and when the first of them was stored. */
export async function untold(
  db: Db,
  subscription: { readonly number: number; readonly scanned_seq: number; readonly numbered: number; readonly delivered: number },
  filter: SubscriptionFilter,
  most: number,
): Promise<{ readonly events: number; readonly oldestAt?: string }> {
  const { number, scanned_seq, numbered, delivered } = subscription;
  const unnumbered = await db
    .selectFrom(
      toldBetween(db, scanned_seq, await newestSeq(db), filter)
        .select('resource_version.last_updated')
        .limit(most)
        .as('told'),
    )
    .select((eb) => [eb.fn.countAll<number>().as('found'), eb.fn.min('told.last_updated').as('oldest')])
    .executeTakeFirstOrThrow();
  const [first] = delivered < numbered ? await readEvents(db, number, delivered + 1, delivered + 1, 1) : [];
  const oldestAt = first === undefined ? unnumbered.oldest : (first.resource?.lastUpdated ?? first.at);
  return { events: numbered - delivered + Number(unnumbered.found), ...(oldestAt !== null && { oldestAt }) };
}

/** The newest `seq` as a part of a statement. */
export const NEWEST_SEQ = sql<number>`coalesce((select max(seq) from resource_version), 0)`;
