/**
 * Everything that a store holds of one person: their readings and what was derived from them, with
 * all versions, Provenances, what they are searched and recognised by, what was sent, the Patient
 * and the chairs that are theirs, and refusals that name them. The audit keeps its own time.
 */
import { sql, type Kysely, type SqlBool } from 'kysely';
import type { PersonRemoval, Removed } from '../ports.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** Lists of ids are handed to the database in pieces: it takes a limited number of parameters. */
const PIECE = 500;

/**
 * Removes all of it, in the unit of work that `db` is in. Leaves everything as it is when a legal
 * hold forbids it, a reading waits for a decision, or the EHR has not got everything.
 *
 * @param person `Patient/{id}` or `identifier:{system}|{value}`
 */
export async function removePerson(db: Db, person: string): Promise<PersonRemoval> {
  const hold = await db.selectFrom('legal_hold').select('person').where('person', '=', person).executeTakeFirst();
  if (hold) return { kind: 'on-hold' };
  if (await isUnfinished(db, person)) return { kind: 'unfinished' };

  const counts = new Map<string, number>();
  const count = (table: string, rows: bigint | number): void => void counts.set(table, (counts.get(table) ?? 0) + Number(rows));
  const observations = await observationIdsOf(db, person);
  const provenances = await provenanceIdsOf(db, observations);
  const versions = [
    ...(await seqsOf(db, 'Observation', observations)),
    ...(await seqsOf(db, 'Provenance', provenances)),
    ...(await registrySeqsOf(db, person)),
  ];

  await inPieces(await itemNumbersOf(db, person, observations), async (numbers) => {
    count(
      'outbox_concern',
      (await db.deleteFrom('outbox_concern').where('number', 'in', numbers).executeTakeFirstOrThrow()).numDeletedRows,
    );
    count('outbox_item', (await db.deleteFrom('outbox_item').where('number', 'in', numbers).executeTakeFirstOrThrow()).numDeletedRows);
  });
  await inPieces(observations, async (ids) => {
    count('fingerprint', (await db.deleteFrom('fingerprint').where('observation_id', 'in', ids).executeTakeFirstOrThrow()).numDeletedRows);
  });
  await inPieces([...observations, ...provenances], async (ids) => {
    count('ehr_copy', (await db.deleteFrom('ehr_copy').where('id', 'in', ids).executeTakeFirstOrThrow()).numDeletedRows);
  });
  await inPieces(versions, async (seqs) => {
    count('search_token', (await db.deleteFrom('search_token').where('seq', 'in', seqs).executeTakeFirstOrThrow()).numDeletedRows);
    count('observation', (await db.deleteFrom('observation').where('seq', 'in', seqs).executeTakeFirstOrThrow()).numDeletedRows);
    count('resource_version', (await db.deleteFrom('resource_version').where('seq', 'in', seqs).executeTakeFirstOrThrow()).numDeletedRows);
  });
  count('refusal', await removeRefusalsNaming(db, person));
  const removed: Removed = Object.fromEntries([...counts].filter(([, rows]) => rows > 0));
  return { kind: 'removed', removed };
}

async function isUnfinished(db: Db, person: string): Promise<boolean> {
  const unsent = await db
    .selectFrom('outbox_item')
    .select('number')
    .where('person', '=', person)
    .where('state', 'in', ['waiting', 'parked'])
    .limit(1)
    .executeTakeFirst();
  if (unsent) return true;
  const waiting = await db
    .selectFrom('observation')
    .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
    .select('observation.seq')
    .where('person', '=', person)
    .where('held', '=', 1)
    .where('superseded_seq', 'is', null)
    .limit(1)
    .executeTakeFirst();
  return waiting !== undefined;
}

/** Of those filed for the person now; earlier versions of them may stand under another key. */
async function observationIdsOf(db: Db, person: string): Promise<string[]> {
  const rows = await db
    .selectFrom('observation')
    .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
    .select('resource_version.id')
    .distinct()
    .where('person', '=', person)
    .execute();
  return rows.map(({ id }) => id);
}

async function provenanceIdsOf(db: Db, observations: readonly string[]): Promise<string[]> {
  const found = new Set<string>();
  await inPieces(observations, async (ids) => {
    const rows = await db
      .selectFrom('search_token')
      .innerJoin('resource_version', 'resource_version.seq', 'search_token.seq')
      .select('resource_version.id')
      .where('role', '=', 'reference')
      .where(
        'value',
        'in',
        ids.map((id) => `Observation/${id}`),
      )
      .where('resource_version.type', '=', 'Provenance')
      .execute();
    for (const { id } of rows) found.add(id);
  });
  return [...found];
}

async function seqsOf(db: Db, type: 'Observation' | 'Provenance' | 'Patient' | 'Device', ids: readonly string[]): Promise<number[]> {
  const seqs: number[] = [];
  await inPieces(ids, async (piece) => {
    const rows = await db.selectFrom('resource_version').select('seq').where('type', '=', type).where('id', 'in', piece).execute();
    seqs.push(...rows.map(({ seq }) => seq));
  });
  return seqs;
}

/**
 * The Patient, those that it replaced, and the Devices that are the person's own. A Device that
 * was theirs once and is somebody else's now only loses the versions that say so.
 */
async function registrySeqsOf(db: Db, person: string): Promise<number[]> {
  const id = /^Patient\/(.+)$/.exec(person)?.[1];
  const referring = await db
    .selectFrom('search_token')
    .innerJoin('resource_version', 'resource_version.seq', 'search_token.seq')
    .select(['resource_version.seq', 'resource_version.type', 'resource_version.id', 'resource_version.superseded_seq'])
    .where('role', '=', 'reference')
    .where('value', '=', person)
    .where('resource_version.type', 'in', ['Patient', 'Device'])
    .execute();
  const current = referring.filter(({ superseded_seq }) => superseded_seq === null);
  const idsOf = (type: 'Patient' | 'Device'): string[] => current.filter((row) => row.type === type).map((row) => row.id);
  const whole = [
    ...(await seqsOf(db, 'Patient', [...(id === undefined ? [] : [id]), ...idsOf('Patient')])),
    ...(await seqsOf(db, 'Device', idsOf('Device'))),
  ];
  return [...new Set([...whole, ...referring.map(({ seq }) => seq)])];
}

async function itemNumbersOf(db: Db, person: string, observations: readonly string[]): Promise<number[]> {
  const own = await db.selectFrom('outbox_item').select('number').where('person', '=', person).execute();
  const numbers = new Set(own.map(({ number }) => number));
  await inPieces(observations, async (ids) => {
    const rows = await db
      .selectFrom('outbox_concern')
      .innerJoin('outbox_item', 'outbox_item.number', 'outbox_concern.number')
      .select('outbox_item.number')
      .where('observation_id', 'in', ids)
      .where('state', 'in', ['sent', 'discarded'])
      .execute();
    for (const { number } of rows) numbers.add(number);
  });
  return [...numbers];
}

/** A refusal is kept as it was sent, so that whom it names is looked for in its text. */
async function removeRefusalsNaming(db: Db, person: string): Promise<bigint> {
  const named = /^identifier:.*\|(.+)$/.exec(person)?.[1] ?? person;
  const { numDeletedRows } = await db
    .deleteFrom('refusal')
    .where(sql<SqlBool>`content like ${`%${named.replaceAll(/[\\%_]/g, '\\$&')}"%`} escape '\\'`)
    .executeTakeFirstOrThrow();
  return numDeletedRows;
}

async function inPieces<Item>(items: readonly Item[], act: (piece: readonly Item[]) => Promise<void>): Promise<void> {
  for (let at = 0; at < items.length; at += PIECE) await act(items.slice(at, at + PIECE));
}
