/** Looking into the audit: one event, a search, newest first, the head of the chain, and whether all of it holds. */
import { sql, type Expression, type ExpressionBuilder, type Kysely, type SqlBool } from 'kysely';
import { AGENT_SYSTEM, AUDIT_SYSTEM, OWN_EVENTS } from '../core/audit/codes.ts';
import { OURS } from '../core/terminology.ts';
import { ServiceError } from '../errors.ts';
import type {
  AuditPage,
  AuditPagesVerdict,
  AuditPlace,
  AuditReader,
  AuditSearch,
  AuditVerdict,
  DateBound,
  StoredAuditEvent,
  Token,
} from '../ports.ts';
import { placesOf, verifyChain, verifyChainPage } from './audit-verify.ts';
import type { StoreSchema } from './schema.ts';
import { verifyVersions } from './version-verify.ts';

type Db = Kysely<StoreSchema>;
type Events = ExpressionBuilder<StoreSchema, 'audit_event'>;
type Condition = Expression<SqlBool>;

export class SqlAudit implements AuditReader {
  readonly #db: Db;

  constructor(db: Db) {
    this.#db = db;
  }

  async event(id: string): Promise<StoredAuditEvent | undefined> {
    const number = numberIn(id);
    if (number === undefined) return undefined;
    const row = await this.#db.selectFrom('audit_event').select(['number', 'content']).where('number', '=', number).executeTakeFirst();
    return row && toStored(row);
  }

  /** Events are only ever added at the front of what is shown, so a page goes on below the last number that was served. */
  async search(search: AuditSearch): Promise<AuditPage> {
    const before = search.cursor === undefined ? undefined : fromCursor(search.cursor);
    if (search.count < 1) return { events: [] };
    const numbers = await this.#numbersOf(search, before);
    const rows = await this.#db
      .selectFrom('audit_event')
      .select(['number', 'content'])
      .where('number', 'in', numbers.length > 0 ? numbers : [0])
      .orderBy('number', 'desc')
      .execute();
    const shown = rows.slice(0, search.count);
    const last = shown.at(-1);
    const events = shown.map(toStored);
    return rows.length === shown.length || last === undefined ? { events } : { events, next: toCursor(Number(last.number)) };
  }

  /** Without the contents, which need not go through a sort: the first `count` and one more. */
  async #numbersOf(search: AuditSearch, before: number | undefined): Promise<number[]> {
    const found = new Set<number>();
    // client and user each have an index that gives their events in order; asked for in one query, all of them would be sorted
    for (const agents of byColumn(search.agents)) {
      const rows = await this.#db
        .selectFrom('audit_event')
        .select('number')
        .where((eb) =>
          eb.and([
            ...(before === undefined ? [] : [eb('number', '<', before)]),
            ...(agents ? [isOneOf(agents.values, (list) => eb(agents.column, 'in', list))] : []),
            ...toConditions(eb, search),
          ]),
        )
        .orderBy('number', 'desc')
        .limit(search.count + 1)
        .execute();
      for (const { number } of rows) found.add(Number(number));
    }
    return [...found].sort((a, b) => b - a).slice(0, search.count + 1);
  }

  async head(): Promise<AuditPlace> {
    return (await placesOf(this.#db)).head;
  }

  async verify(noted?: AuditPlace): Promise<AuditVerdict> {
    const verdict = await verifyChain(this.#db, noted);
    return verdict.bad ? verdict : { ...verdict, versions: await verifyVersions(this.#db) };
  }

  verifyPage(from?: AuditPlace): Promise<AuditPagesVerdict> {
    return verifyChainPage(this.#db, from);
  }
}

function toStored({ number, content }: { readonly number: number; readonly content: string }): StoredAuditEvent {
  return { id: String(number), text: content };
}

/** Undefined for a text that is the id of no event. */
function numberIn(id: string): number | undefined {
  return /^[1-9]\d{0,14}$/.test(id) ? Number(id) : undefined;
}

function toCursor(number: number): string {
  return Buffer.from(`audit ${number}`).toString('base64url');
}

function fromCursor(cursor: string): number {
  const [, id = ''] = /^audit (\d{1,15})$/.exec(Buffer.from(cursor, 'base64url').toString()) ?? [];
  const number = numberIn(id);
  if (number === undefined)
    throw new ServiceError('ERR_BAD_VALUE', 'the page link is not one that this search gave; start again at the first page');
  return number;
}

interface AgentColumn {
  readonly column: 'client' | 'user_id';
  readonly values: readonly string[];
}

/** One search for each column that can hold an agent; one without any when no agent is asked for. */
function byColumn(agents: readonly Token[] | undefined): readonly (AgentColumn | undefined)[] {
  if (agents === undefined) return [undefined];
  const valuesOf = (own: string): string[] =>
    agents.flatMap(({ system, value }) => (system === undefined || system === own ? [value] : []));
  return [
    { column: 'client', values: valuesOf(AGENT_SYSTEM.client) },
    { column: 'user_id', values: valuesOf(AGENT_SYSTEM.user) },
  ];
}

function toConditions(eb: Events, { ids, references, agents, actions, outcomes, subtypes, dates }: AuditSearch): Condition[] {
  const isNarrowed = ids !== undefined || references !== undefined || agents !== undefined;
  return [
    ...(ids
      ? [
          isOneOf(
            ids.flatMap((id) => numberIn(id) ?? []),
            (list) => eb('number', 'in', list),
          ),
        ]
      : []),
    ...(references ?? []).map((list) => isOneOf(list, () => concernsAny(eb, list))),
    ...(actions ? [isOneOf(actions, (list) => eb('action', 'in', list))] : []),
    ...(outcomes ? [isOneOf(outcomes, (list) => eb('outcome', 'in', list))] : []),
    ...(subtypes ? [eb.or(subtypes.map((subtype) => isSubtype(eb, subtype)))] : []),
    ...(dates ?? []).map((bound) => isRecordedAt(bound, isNarrowed)),
  ];
}

/** An empty list in a search means none. */
function isOneOf<Item>(list: readonly Item[], condition: (list: readonly Item[]) => Condition): Condition {
  return list.length === 0 ? sql<SqlBool>`1 = 0` : condition(list);
}

function concernsAny(eb: Events, references: readonly string[]): Condition {
  return eb('number', 'in', eb.selectFrom('audit_reference').select('audit_reference.number').where('reference', 'in', references));
}

/** A code is an interaction or one of ours, never both. DICOM's words stand beside ours and are not searched by. */
function isSubtype(eb: Events, { system, value }: Token): Condition {
  const isOurs = Object.hasOwn(OWN_EVENTS, value);
  if (system !== undefined && system !== (isOurs ? OURS.auditEventSystem : AUDIT_SYSTEM.interaction)) return sql<SqlBool>`1 = 0`;
  return eb(isOurs ? 'event' : 'interaction', '=', value);
}

/**
 * The moment of recording against the query's interval (R4 Search, "Prefixes").
 *
 * @param isNarrowed something else finds few rows: wrapped, the time is no reason to walk all of a day
 */
function isRecordedAt({ comparator, startMs, endMs }: DateBound, isNarrowed: boolean): Condition {
  const at = isNarrowed ? sql<number>`coalesce(audit_event.recorded_ms, 0)` : sql.ref<number>('audit_event.recorded_ms');
  switch (comparator) {
    case 'eq':
      return sql<SqlBool>`(${at} >= ${startMs} and ${at} <= ${endMs})`;
    case 'ne':
      return sql<SqlBool>`(${at} < ${startMs} or ${at} > ${endMs})`;
    case 'gt':
    case 'sa':
      return sql<SqlBool>`${at} > ${endMs}`;
    case 'lt':
    case 'eb':
      return sql<SqlBool>`${at} < ${startMs}`;
    case 'ge':
      return sql<SqlBool>`${at} >= ${startMs}`;
    case 'le':
      return sql<SqlBool>`${at} <= ${endMs}`;
  }
}
