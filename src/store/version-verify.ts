/**
 * Does what is stored still read as it did when it was written? The audit event of each write holds
 * the hash of every version that it wrote, so whoever alters a text would have to write the chain of
 * events anew as well. A page of events and the versions that they speak of are in memory at a time.
 */
import type { Kysely } from 'kysely';
import { digestsIn } from '../core/audit/digests.ts';
import type { NewAuditEvent } from '../core/audit/event.ts';
import type { StoredType, VersionsVerdict } from '../ports.ts';
import { placesOf } from './audit-verify.ts';
import type { StoreSchema } from './schema.ts';
import { digestOf } from './version-digest.ts';

type Db = Kysely<StoreSchema>;

/** An event of a recall speaks of a thousand versions. */
const EVENTS_A_PAGE = 100;
const VERSIONS_A_STATEMENT = 100;

/** To be asked once the chain is known to hold: what it says is believed here. */
export async function verifyVersions(db: Db): Promise<VersionsVerdict> {
  // counted first: what is written meanwhile is looked at or left out, and never counted as not checked
  const total = await countVersions(db);
  const { head, anchor } = await placesOf(db);
  let [checked, gone] = [0, 0];
  for (let reached = anchor.number; reached < head.number;) {
    const events = await db
      .selectFrom('audit_event')
      .select(['number', 'content'])
      .where('number', '>', reached)
      .where('number', '<=', head.number)
      .orderBy('number')
      .limit(EVENTS_A_PAGE)
      .execute();
    const noted = events.flatMap(({ content }) => digestsIn(JSON.parse(content) as NewAuditEvent));
    for (let at = 0; at < noted.length; at += VERSIONS_A_STATEMENT) {
      const piece = noted.slice(at, at + VERSIONS_A_STATEMENT);
      const stored = await digestsStored(
        db,
        piece.map(([reference]) => reference),
      );
      for (const [reference, digest] of piece) {
        const found = stored.get(reference);
        if (found === undefined) gone += 1;
        else if (found === digest) checked += 1;
        else return { checked, gone, notChecked: Math.max(0, total - checked - 1), bad: reference };
      }
    }
    reached = Number(events.at(-1)?.number ?? head.number);
  }
  return { checked, gone, notChecked: Math.max(0, total - checked) };
}

async function digestsStored(db: Db, references: readonly string[]): Promise<ReadonlyMap<string, string>> {
  const wanted = references.flatMap((reference) => {
    const [type, id, , version] = reference.split('/');
    return id === undefined ? [] : [{ type: type as StoredType, id, version: Number(version) }];
  });
  const rows = await db
    .selectFrom('resource_version')
    .select(['type', 'id', 'version', 'content', 'salt'])
    .where((eb) =>
      eb.or(wanted.map(({ type, id, version }) => eb.and([eb('id', '=', id), eb('type', '=', type), eb('version', '=', version)]))),
    )
    .execute();
  return new Map(rows.map(({ type, id, version, content, salt }) => [`${type}/${id}/_history/${version}`, digestOf(content, salt)]));
}

/** Provenances are named in no event. */
async function countVersions(db: Db): Promise<number> {
  const { count } = await db
    .selectFrom('resource_version')
    .select((eb) => eb.fn.countAll().as('count'))
    .where('type', '<>', 'Provenance')
    .executeTakeFirstOrThrow();
  return Number(count);
}
