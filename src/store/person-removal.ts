/**
 * Everything that a store holds of one person: their readings and what was derived from them, with
 * all versions, Provenances, what they are searched and recognised by, what was sent, the Patient
 * and the chairs that are theirs, and refusals that name them. The audit keeps its own time.
 */
import type { Kysely } from 'kysely';
import { logicalKey } from '../core/pointers.ts';
import type { OutboxState, PersonRemoval, Removed } from '../ports.ts';
import { removeRefusalsNaming } from './refusals-naming.ts';
import { forgetVersions } from './subscription-events.ts';
import type { StoreSchema } from './schema.ts';

type Db = Kysely<StoreSchema>;

/** Lists of ids are handed to the database in pieces: it takes a limited number of parameters. */
const PIECE = 500;

/**
 * Removes all of it, in the unit of work that `db` is in. Leaves everything as it is when a legal
 * hold forbids it, a reading waits for a decision, the EHR has not got everything, or the person
 * was to be quiet since an instant and is not.
 *
 * @param person `Patient/{id}` or `identifier:{system}|{value}`
 * @param quietSinceMs whoever looked for quiet people did so before this unit of work, and readings go on coming
 */
export async function removePerson(db: Db, person: string, quietSinceMs?: number): Promise<PersonRemoval> {
  const hold = await db.selectFrom('legal_hold').select('person').where('person', '=', person).executeTakeFirst();
  if (hold) return { kind: 'on-hold' };
  if (quietSinceMs !== undefined && (await hasReadingFrom(db, person, quietSinceMs))) return { kind: 'not-quiet' };
  const observations = await observationIdsOf(db, person);
  if (await isUnfinished(db, person, observations)) return { kind: 'unfinished' };

  const counts = new Map<string, number>();
  const count = (table: string, rows: bigint | number): void => void counts.set(table, (counts.get(table) ?? 0) + Number(rows));
  const provenances = await provenanceIdsOf(db, observations);
  const names = await namesOf(db, person, observations);
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
    await forgetVersions(db, seqs);
    count('search_token', (await db.deleteFrom('search_token').where('seq', 'in', seqs).executeTakeFirstOrThrow()).numDeletedRows);
    count('observation', (await db.deleteFrom('observation').where('seq', 'in', seqs).executeTakeFirstOrThrow()).numDeletedRows);
    count('resource_version', (await db.deleteFrom('resource_version').where('seq', 'in', seqs).executeTakeFirstOrThrow()).numDeletedRows);
  });
  count('refusal', await removeRefusalsNaming(db, names));
  const removed: Removed = Object.fromEntries([...counts].filter(([, rows]) => rows > 0));
  return { kind: 'removed', removed };
}

async function hasReadingFrom(db: Db, person: string, sinceMs: number): Promise<boolean> {
  const recent = await currentOf(db, person).select('observation.seq').where('end_ms', '>=', sinceMs).limit(1).executeTakeFirst();
  return recent !== undefined;
}

/** An item may be filed for somebody else who shares a reading: after a merge that was taken back. */
async function isUnfinished(db: Db, person: string, observations: readonly string[]): Promise<boolean> {
  const unsent = await db
    .selectFrom('outbox_item')
    .select('number')
    .where('person', '=', person)
    .where('state', 'in', ['waiting', 'parked'])
    .limit(1)
    .executeTakeFirst();
  if (unsent) return true;
  let isConcerned = false;
  await inPieces(observations, async (ids) => {
    isConcerned ||= (await itemsConcerning(db, ids, ['waiting', 'parked'])).length > 0;
  });
  if (isConcerned) return true;
  const waiting = await currentOf(db, person).select('observation.seq').where('held', '=', 1).limit(1).executeTakeFirst();
  return waiting !== undefined;
}

/** The Observations that are filed for the person now. Earlier versions of somebody else's may stand under the key: a reading that was claimed. */
function currentOf(db: Db, person: string) {
  return db
    .selectFrom('observation')
    .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
    .where('person', '=', person)
    .where('superseded_seq', 'is', null);
}

/** Earlier versions of them may stand under another key, and go with them. */
async function observationIdsOf(db: Db, person: string): Promise<string[]> {
  return (await currentOf(db, person).select('resource_version.id').execute()).map(({ id }) => id);
}

/** The keys under which senders named the person: the one of today, those of their readings, and identifiers that are theirs alone. */
async function namesOf(db: Db, person: string, observations: readonly string[]): Promise<string[]> {
  const names = new Set([person]);
  await inPieces(observations, async (ids) => {
    const rows = await db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select('person_as_sent')
      .distinct()
      .where('resource_version.id', 'in', ids)
      .where('resource_version.type', '=', 'Observation')
      .where('person_as_sent', 'is not', null)
      .execute();
    for (const { person_as_sent } of rows) if (person_as_sent !== null) names.add(person_as_sent);
  });
  const id = /^Patient\/(.+)$/.exec(person)?.[1];
  if (id === undefined) return [...names];
  const identifiers = await db
    .selectFrom('search_token')
    .innerJoin('resource_version', 'resource_version.seq', 'search_token.seq')
    .select(['system', 'value'])
    .distinct()
    .where('resource_version.id', '=', id)
    .where('resource_version.type', '=', 'Patient')
    .where('role', '=', 'identifier')
    .where((eb) =>
      eb.not(
        eb.exists(
          eb
            .selectFrom('search_token as other')
            .innerJoin('resource_version as version', 'version.seq', 'other.seq')
            .select('other.seq')
            .whereRef('other.value', '=', 'search_token.value')
            .whereRef('other.system', '=', 'search_token.system')
            .where('other.role', '=', 'identifier')
            .where('version.type', '=', 'Patient')
            .where('version.id', '<>', id)
            .where('version.superseded_seq', 'is', null),
        ),
      ),
    )
    .execute();
  for (const token of identifiers) names.add(logicalKey(token));
  return [...names];
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
    const rows = await itemsConcerning(db, ids, ['sent', 'discarded']);
    for (const { number } of rows) numbers.add(number);
  });
  return [...numbers];
}

function itemsConcerning(db: Db, observations: readonly string[], states: readonly OutboxState[]) {
  return db
    .selectFrom('outbox_concern')
    .innerJoin('outbox_item', 'outbox_item.number', 'outbox_concern.number')
    .select('outbox_item.number')
    .where('observation_id', 'in', observations)
    .where('state', 'in', states)
    .execute();
}

async function inPieces<Item>(items: readonly Item[], act: (piece: readonly Item[]) => Promise<void>): Promise<void> {
  for (let at = 0; at < items.length; at += PIECE) await act(items.slice(at, at + PIECE));
}
