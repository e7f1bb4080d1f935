/**
 * Appending to the audit chain and cutting off its beginning. Both belong to the transaction that
 * `db` is in. The row `head` is changed first: on a database with several writers that makes the
 * others wait for this transaction's end, so that numbers follow each other as commits do.
 */
import type { Kysely } from 'kysely';
import type { NewAuditEvent } from '../core/audit/event.ts';
import { toAuditRecord } from './audit-row.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** Some databases take no statement with more values than this. */
const REFERENCES_A_STATEMENT = 500;

/** Returns the number of the event. */
export async function addAudit(db: Db, event: NewAuditEvent): Promise<number> {
  const head = await db
    .updateTable('audit_place')
    .set((eb) => ({ number: eb('number', '+', 1) }))
    .where('name', '=', 'head')
    .returning(['number', 'hash'])
    .executeTakeFirstOrThrow();
  const { row, references } = toAuditRecord(event, { number: Number(head.number) - 1, hash: head.hash });
  await db.insertInto('audit_event').values(row).execute();
  for (let at = 0; at < references.length; at += REFERENCES_A_STATEMENT) {
    const some = references.slice(at, at + REFERENCES_A_STATEMENT);
    await db
      .insertInto('audit_reference')
      .values(some.map((reference) => ({ number: row.number, reference })))
      .execute();
  }
  await db.updateTable('audit_place').set({ hash: row.hash }).where('name', '=', 'head').execute();
  return row.number;
}

/** Removes from the front, never from the middle: the first younger event ends it. Returns how many went. */
export async function purgeAuditBefore(db: Db, instantMs: number, limit: number): Promise<number> {
  const oldest = await db.selectFrom('audit_event').select(['number', 'recorded_ms', 'hash']).orderBy('number').limit(limit).execute();
  const younger = oldest.findIndex(({ recorded_ms }) => Number(recorded_ms) >= instantMs);
  const going = younger < 0 ? oldest : oldest.slice(0, younger);
  const last = going.at(-1);
  if (last === undefined) return 0;
  await db.deleteFrom('audit_reference').where('number', '<=', last.number).execute();
  await db.deleteFrom('audit_event').where('number', '<=', last.number).execute();
  await db.updateTable('audit_place').set({ number: last.number, hash: last.hash }).where('name', '=', 'anchor').execute();
  return going.length;
}
