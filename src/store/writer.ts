/** What one unit of work may write. Every method belongs to the transaction that `db` is in. */
import type { Kysely } from 'kysely';
import type { NewAuditEvent } from '../core/audit/event.ts';
import { stringifyExact, type JsonObject } from '../core/json.ts';
import type {
  Clock,
  ItemsBehind,
  NewOutboxItem,
  ObservationFacts,
  OutboxItem,
  Refusal,
  RegistryFacts,
  StoredResource,
  StoredType,
  StoreWriter,
  Token,
  WrittenVersion,
} from '../ports.ts';
import { addAudit, purgeAuditBefore } from './audit-writing.ts';
import { enqueue } from './outbox-filing.ts';
import { lastItem, withdraw, withdrawnVersions } from './outbox-withdrawal.ts';
import { SqlReader } from './reader.ts';
import { toReadingText, toStandingText } from './reading-row.ts';
import type { StoreSchema, TokenRole } from './schema.ts';
import { digestOf, newSalt } from './version-digest.ts';
import { nextInstant, stampVersion } from './version-stamp.ts';

/** A statement may have 32 766 values (SQLite, "Limits", SQLITE_MAX_VARIABLE_NUMBER), and a row takes four. */
const ROWS_A_STATEMENT = 1_000;

type TokenRow = readonly [role: TokenRole, token: Token];

export class SqlWriter extends SqlReader implements StoreWriter {
  readonly #clock: Clock;
  readonly #written: WrittenVersion[] = [];

  constructor(db: Kysely<StoreSchema>, clock: Clock) {
    super(db);
    this.#clock = clock;
  }

  get written(): readonly WrittenVersion[] {
    return this.#written;
  }

  async putObservation(id: string, content: JsonObject, facts: ObservationFacts): Promise<StoredResource> {
    const { seq, stored, digest } = await this.#addVersion('Observation', id, content);
    this.#written.push({ type: 'Observation', id, version: stored.version, digest, person: facts.person });
    await this.db
      .insertInto('observation')
      .values({
        seq,
        person: facts.person,
        person_as_sent: facts.personAsSent ?? null,
        moves: facts.reading?.moves ?? 0,
        quantified: facts.of,
        status: facts.status,
        held: facts.held ? 1 : 0,
        start_ms: facts.startMs,
        end_ms: facts.endMs,
        device: facts.device ?? null,
        reading: facts.reading ? toReadingText(facts.reading) : null,
        standing: facts.standing ? toStandingText(facts.standing) : null,
      })
      .execute();
    await this.#addTokens(seq, [
      ...asRole('code', facts.codes),
      ...asRole('identifier', facts.identifiers),
      ...asRole('category', facts.categories),
      ...asRole('tag', facts.tags),
      ...asRole(
        'derived-from',
        facts.derivedFrom.map((value) => ({ value })),
      ),
    ]);
    return stored;
  }

  async putRegistry(
    type: Exclude<StoredType, 'Observation'>,
    id: string,
    content: JsonObject,
    facts: RegistryFacts,
  ): Promise<StoredResource> {
    const { seq, stored, digest } = await this.#addVersion(type, id, content);
    this.#written.push({ type, id, version: stored.version, digest });
    await this.#addTokens(seq, [
      ...asRole('identifier', facts.identifiers),
      ...asRole(
        'reference',
        facts.references.map((value) => ({ value })),
      ),
    ]);
    return stored;
  }

  async #addVersion(type: StoredType, id: string, content: JsonObject): Promise<{ seq: number; stored: StoredResource; digest: string }> {
    const before = await this.db
      .selectFrom('resource_version')
      .select(['seq', 'version'])
      .where('id', '=', id)
      .where('type', '=', type)
      .where('superseded_seq', 'is', null)
      .executeTakeFirst();
    const newest = await this.db.selectFrom('resource_version').select('last_updated').orderBy('seq', 'desc').limit(1).executeTakeFirst();
    const version = (before?.version ?? 0) + 1;
    const lastUpdated = nextInstant(this.#clock.nowMs(), newest?.last_updated);
    const text = stringifyExact(stampVersion(content, id, version, lastUpdated));
    const salt = newSalt();
    const { seq } = await this.db
      .insertInto('resource_version')
      .values({ type, id, version, last_updated: lastUpdated, content: text, superseded_seq: null, salt })
      .returning('seq')
      .executeTakeFirstOrThrow();
    if (before) await this.db.updateTable('resource_version').set({ superseded_seq: seq }).where('seq', '=', before.seq).execute();
    return { seq, stored: { type, id, version, lastUpdated, text }, digest: digestOf(text, salt) };
  }

  async #addTokens(seq: number, tokens: readonly TokenRow[]): Promise<void> {
    if (tokens.length === 0) return;
    const rows = tokens.map(([role, { system = '', value }]) => ({ seq, role, system, value }));
    for (let from = 0; from < rows.length; from += ROWS_A_STATEMENT) {
      // the same coding twice in one resource is one token
      await this.db
        .insertInto('search_token')
        .values(rows.slice(from, from + ROWS_A_STATEMENT))
        .onConflict((conflict) => conflict.doNothing())
        .execute();
    }
  }

  /** Adding the same pair again changes nothing. */
  async addFingerprint(fingerprint: string, observationId: string): Promise<void> {
    await this.db
      .insertInto('fingerprint')
      .values({ fingerprint, observation_id: observationId })
      .onConflict((conflict) => conflict.doNothing())
      .execute();
  }

  async addRefusal({ id, receivedAt, text, outcome, client }: Refusal): Promise<void> {
    await this.db
      .insertInto('refusal')
      .values({ id, received_at: receivedAt, content: text, outcome, client: client ?? null })
      .execute();
  }

  enqueue(item: NewOutboxItem): Promise<number> {
    return enqueue(this.db, item);
  }

  lastItem(): Promise<number> {
    return lastItem(this.db);
  }

  withdraw(items: ItemsBehind): Promise<readonly OutboxItem[] | undefined> {
    return withdraw(this.db, items);
  }

  withdrawnVersions(observationId: string): Promise<ReadonlySet<number>> {
    return withdrawnVersions(this.db, observationId);
  }

  addAudit(event: NewAuditEvent): Promise<number> {
    return addAudit(this.db, event);
  }

  purgeAuditBefore(instantMs: number, limit: number): Promise<number> {
    return purgeAuditBefore(this.db, instantMs, limit);
  }

  async refile(asSent: string, toPerson: string): Promise<readonly string[]> {
    const rows = await this.db
      .selectFrom('observation')
      .select('person')
      .distinct()
      .where('person_as_sent', '=', asSent)
      .where('person', '<>', toPerson)
      .execute();
    for (const { person } of rows)
      await (person === asSent && !isPatient(person) ? this.#moveAll(asSent, toPerson) : this.#moveReadings(asSent, person, toPerson));
    return rows.map(({ person }) => person);
  }

  async requeue(fromPerson: string, toPerson: string): Promise<void> {
    await this.db
      .updateTable('outbox_item')
      .set({ person: toPerson })
      .where('person', '=', fromPerson)
      .where('state', 'in', ['waiting', 'parked'])
      .execute();
  }

  /** Nobody was known: everything moves, and outbox items too, so that their order stays that of one person. */
  async #moveAll(asSent: string, toPerson: string): Promise<void> {
    await this.db.updateTable('observation').set({ person: toPerson }).where('person', '=', asSent).execute();
    await this.db.updateTable('outbox_item').set({ person: toPerson }).where('person', '=', asSent).execute();
  }

  async #moveReadings(asSent: string, fromPerson: string, toPerson: string): Promise<void> {
    await this.db
      .updateTable('observation')
      .set(({ eb }) => ({ person: toPerson, moves: eb('moves', '+', 1) }))
      .where('person_as_sent', '=', asSent)
      .where('person', '=', fromPerson)
      .execute();
  }
}

/** A key by id: such a person has BMI of their own, which stay with them. */
function isPatient(person: string): boolean {
  return person.startsWith('Patient/');
}

function asRole(role: TokenRole, tokens: readonly Token[]): TokenRow[] {
  return tokens.map((token) => [role, token]);
}
