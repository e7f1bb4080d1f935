/** All questions to the store, over committed rows or, inside a unit of work, over its own as well. */
import { sql, type Kysely, type SqlBool } from 'kysely';
import type { Reading, StandingDerived } from '../core/reading.ts';
import type { HeldReading, ObservationSearch, Refusal, SearchPage, StoredResource, StoredType, StoreReader, Token } from '../ports.ts';
import { heldMark, heldReadings, heldSince } from './held-readings.ts';
import { countObservations, searchObservations } from './observation-search.ts';
import { toStoredResource, VERSION_COLUMNS } from './paging.ts';
import { fromReadingText, fromStandingText } from './reading-row.ts';
import { searchRegistry } from './registry-search.ts';
import type { StoreSchema } from './schema.ts';
import { carriesRareToken, isOfType } from './search-filters.ts';

export class SqlReader implements StoreReader {
  protected readonly db: Kysely<StoreSchema>;

  constructor(db: Kysely<StoreSchema>) {
    this.db = db;
  }

  async current(type: StoredType, id: string): Promise<StoredResource | undefined> {
    const row = await this.#versionsOf(type, id).where('superseded_seq', 'is', null).executeTakeFirst();
    return row && toStoredResource(row);
  }

  async version(type: StoredType, id: string, version: number): Promise<StoredResource | undefined> {
    const row = await this.#versionsOf(type, id).where('version', '=', version).executeTakeFirst();
    return row && toStoredResource(row);
  }

  async history(type: StoredType, id: string): Promise<readonly StoredResource[]> {
    const rows = await this.#versionsOf(type, id).orderBy('version', 'desc').execute();
    return rows.map(toStoredResource);
  }

  #versionsOf(type: StoredType, id: string) {
    return this.db.selectFrom('resource_version').select(VERSION_COLUMNS).where('type', '=', type).where('id', '=', id);
  }

  async idsByIdentifier(type: StoredType, identifier: Token, limit: number): Promise<readonly string[]> {
    const rows = await this.db
      .selectFrom('resource_version')
      .select('id')
      .where((eb) => carriesRareToken(eb, 'identifier', [identifier]))
      .where(isOfType(type))
      .where('superseded_seq', 'is', null)
      .orderBy('seq')
      .limit(limit)
      .execute();
    return rows.map(({ id }) => id);
  }

  async referencesOf(type: Exclude<StoredType, 'Observation'>, id: string): Promise<readonly string[]> {
    const rows = await this.#versionsOf(type, id)
      .innerJoin('search_token', 'search_token.seq', 'resource_version.seq')
      .select('search_token.value as referred')
      .where('superseded_seq', 'is', null)
      // wrapped, it is no reason to begin with the references of everything: each Provenance has one
      .where(sql<SqlBool>`coalesce(search_token.role, '') = 'reference'`)
      .execute();
    return rows.map(({ referred }) => referred);
  }

  async idsByFingerprint(fingerprint: string): Promise<readonly string[]> {
    const rows = await this.db
      .selectFrom('fingerprint')
      .select('observation_id')
      .where('fingerprint', '=', fingerprint)
      .orderBy('number')
      .execute();
    return rows.map(({ observation_id }) => observation_id);
  }

  async isFingerprintOf(fingerprint: string, observationId: string): Promise<boolean> {
    const row = await this.db
      .selectFrom('fingerprint')
      .select('number')
      .where('fingerprint', '=', fingerprint)
      .where('observation_id', '=', observationId)
      .executeTakeFirst();
    return row !== undefined;
  }

  async readingsOf(person: string): Promise<readonly Reading[]> {
    const rows = await this.#observationsOf(person)
      .select(['observation.reading', 'observation.moves'])
      .where('observation.reading', 'is not', null)
      .execute();
    return rows
      .flatMap(({ reading, id, version, moves }) => (reading === null ? [] : [fromReadingText(reading, { id, version, person, moves })]))
      .sort(byEffectiveTime);
  }

  async weightsOnScale(device: string, fromMs: number, toMs: number, limit: number): Promise<readonly Reading[]> {
    const rows = await this.db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select(['resource_version.id', 'resource_version.version', 'observation.person', 'observation.reading', 'observation.moves'])
      .where('observation.device', '=', device)
      .where('observation.start_ms', '>=', fromMs)
      .where('observation.start_ms', '<=', toMs)
      .where('quantified', '=', 'weight')
      .where('resource_version.superseded_seq', 'is', null)
      .limit(limit)
      .execute();
    return rows.flatMap(({ reading, ...columns }) => (reading === null ? [] : [fromReadingText(reading, columns)])).sort(byEffectiveTime);
  }

  async readingOf(id: string): Promise<Reading | undefined> {
    const row = await this.#observationOf(id)
      .select(['resource_version.version', 'observation.person', 'observation.reading', 'observation.moves'])
      .executeTakeFirst();
    if (row === undefined || row.reading === null) return undefined;
    return fromReadingText(row.reading, { id, version: row.version, person: row.person, moves: row.moves });
  }

  async readingAt(id: string, version: number): Promise<Reading | undefined> {
    const row = await this.#anyVersionOf(id)
      .select(['observation.person', 'observation.reading', 'observation.moves'])
      .where('resource_version.version', '=', version)
      .executeTakeFirst();
    if (row === undefined || row.reading === null) return undefined;
    return fromReadingText(row.reading, { id, version, person: row.person, moves: row.moves });
  }

  async sentAs(id: string): Promise<string | undefined> {
    const row = await this.#observationOf(id).select('observation.person_as_sent').executeTakeFirst();
    return row?.person_as_sent ?? undefined;
  }

  async keysFiledFor(person: string): Promise<readonly string[]> {
    const rows = await this.#observationsOf(person).select('observation.person_as_sent').execute();
    return [...new Set(rows.flatMap(({ person_as_sent }) => person_as_sent ?? []))];
  }

  #observationOf(id: string) {
    return this.#anyVersionOf(id).where('resource_version.superseded_seq', 'is', null);
  }

  #anyVersionOf(id: string) {
    return this.db
      .selectFrom('resource_version')
      .innerJoin('observation', 'observation.seq', 'resource_version.seq')
      .where('resource_version.id', '=', id)
      .where('resource_version.type', '=', 'Observation');
  }

  async standingDerivedOf(person: string): Promise<readonly StandingDerived[]> {
    const rows = await this.#observationsOf(person)
      .select(['observation.standing', 'observation.status'])
      .where('observation.standing', 'is not', null)
      .orderBy('start_ms')
      .orderBy('observation.seq')
      .execute();
    return rows.flatMap(({ standing, id, version, status }) =>
      standing === null ? [] : [fromStandingText(standing, { id, version, status: status as StandingDerived['status'] })],
    );
  }

  #observationsOf(person: string) {
    return this.db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select(['resource_version.id', 'resource_version.version'])
      .where('observation.person', '=', person)
      .where('resource_version.superseded_seq', 'is', null);
  }

  async personsWithReadings(limit: number, after?: string): Promise<readonly string[]> {
    const persons = this.db
      .selectFrom('observation')
      .innerJoin('resource_version', 'resource_version.seq', 'observation.seq')
      .select('observation.person')
      .distinct()
      .where('quantified', 'in', ['weight', 'height'])
      .where('resource_version.superseded_seq', 'is', null)
      .orderBy('observation.person')
      .limit(limit);
    const rows = await (after === undefined ? persons : persons.where('observation.person', '>', after)).execute();
    return rows.map(({ person }) => person);
  }

  heldSince(id?: string): Promise<string | undefined> {
    return heldSince(this.db, id);
  }

  heldReadings(limit: number): Promise<readonly HeldReading[]> {
    return heldReadings(this.db, limit);
  }

  heldMark(): Promise<string> {
    return heldMark(this.db);
  }

  searchObservations(search: ObservationSearch): Promise<SearchPage> {
    return searchObservations(this.db, search);
  }

  countObservations(criteria: Parameters<StoreReader['countObservations']>[0]): Promise<number> {
    return countObservations(this.db, criteria);
  }

  searchRegistry(...search: Parameters<StoreReader['searchRegistry']>): Promise<SearchPage> {
    return searchRegistry(this.db, ...search);
  }

  async countRefusals(since: string): Promise<number> {
    const { count } = await this.db
      .selectFrom('refusal')
      .select((eb) => eb.fn.countAll().as('count'))
      .where('received_at', '>=', since)
      .executeTakeFirstOrThrow();
    return Number(count);
  }

  /** Newest first. */
  async refusals(limit: number, before?: string): Promise<readonly Refusal[]> {
    const newest = this.db.selectFrom('refusal').selectAll().orderBy('number', 'desc').limit(limit);
    const rows = await (
      before === undefined
        ? newest
        : newest.where('number', '<', (eb) => eb.selectFrom('refusal as earlier').select('earlier.number').where('earlier.id', '=', before))
    ).execute();
    return rows.map(({ id, received_at, content, outcome, client }) => ({
      id,
      receivedAt: received_at,
      text: content,
      outcome,
      ...(client !== null && { client }),
    }));
  }
}

/** Compared here and not in SQL: databases differ in how they order text. */
function byEffectiveTime(a: Reading, b: Reading): number {
  return a.effective.startMs - b.effective.startMs || compareText(a.tieKey, b.tieKey) || compareText(a.id, b.id);
}

function compareText(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
