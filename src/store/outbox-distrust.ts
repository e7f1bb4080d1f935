/**
 * A store that was restored from a backup does not know what happened since: what it calls unsent
 * may be at the EHR, and what gateways send again came in before under other ids.
 *
 * From then on every item is marked when it is claimed, until items that were queued long after the
 * restore come: a gateway that kept its copy has sent it again by then (a week; common practice, no source).
 */
import type { Kysely } from 'kysely';
import { toInstant } from '../core/fhir-time.ts';
import type { OutboxItem } from '../ports.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

const WINDOW_MS = 7 * 24 * 3_600_000;

/**
 * A try is counted that nobody made here, so that every item is looked up first; a worker that had
 * it from before finds its claim over.
 */
export async function distrust(db: Db, nowMs: number): Promise<number> {
  const since = toInstant(nowMs);
  await db
    .insertInto('outbox_distrust')
    .values({ id: 1, since })
    .onConflict((conflict) => conflict.column('id').doUpdateSet({ since }))
    .execute();
  const marked = await db
    .updateTable('outbox_item')
    .set((eb) => ({ tries: eb('tries', '+', 1) }))
    .where('state', 'in', ['waiting', 'parked'])
    .returning('number')
    .execute();
  return marked.length;
}

/** When the store was last distrusted (an instant); undefined when it never was. */
export async function readDistrust(db: Db): Promise<string | undefined> {
  return (await db.selectFrom('outbox_distrust').select('since').executeTakeFirst())?.since;
}

/** Was the item queued before the restore, or so soon after that it may have been received once before? */
export function isDistrustedIn(since: string | undefined): (item: Pick<OutboxItem, 'queuedAt'>) => boolean {
  if (since === undefined) return () => false;
  const untilMs = Date.parse(since) + WINDOW_MS;
  return ({ queuedAt }) => Date.parse(queuedAt) < untilMs;
}
