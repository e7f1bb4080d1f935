/**
 * FHIR search parameters as conditions on the tables (HL7 FHIR R4, Search, sections token,
 * reference, date and "Prefixes").
 */
import { sql, type Expression, type ExpressionBuilder, type SqlBool } from 'kysely';
import type { DateBound, InstantBound, StoredType, Token } from '../ports.ts';
import type { StoreSchema, TokenRole } from './schema.ts';

type Versions = ExpressionBuilder<StoreSchema, 'resource_version'>;
type Observations = ExpressionBuilder<StoreSchema, 'resource_version' | 'observation'>;
type Tokens = ExpressionBuilder<StoreSchema, 'search_token'>;
type Condition = Expression<SqlBool>;

function isAnyOf(eb: Tokens, role: TokenRole, tokens: readonly Token[]): Condition {
  const values = [...new Set(tokens.map(({ value }) => value))];
  const conditions = [eb('search_token.role', '=', role), eb('search_token.value', 'in', values)];
  const first = tokens[0];
  if (tokens.length === 1 && first?.system !== undefined) conditions.push(eb('search_token.system', '=', first.system));
  // with several, system and value belong together in pairs
  if (tokens.length > 1 && tokens.some(({ system }) => system !== undefined)) {
    conditions.push(eb.or(tokens.map((token) => isToken(eb, token))));
  }
  return eb.and(conditions);
}

function isToken(eb: Tokens, { system, value }: Token): Expression<SqlBool> {
  const isValue = eb('search_token.value', '=', value);
  return system === undefined ? isValue : eb.and([isValue, eb('search_token.system', '=', system)]);
}

/** For what nearly every version has (codes, categories): looked up row by row. */
export function carriesToken(eb: Versions, role: TokenRole, tokens: readonly Token[]): Condition {
  if (tokens.length === 0) return never();
  return eb.exists(
    eb
      .selectFrom('search_token')
      .select('search_token.seq')
      .whereRef('search_token.seq', '=', 'resource_version.seq')
      .where((token) => isAnyOf(token, role, tokens)),
  );
}

/** For what few versions have (an identifier, a reference): found first, then looked up. */
export function carriesRareToken(eb: Versions, role: TokenRole, tokens: readonly Token[]): Condition {
  if (tokens.length === 0) return never();
  const found = eb
    .selectFrom('search_token')
    .select('search_token.seq')
    .where((token) => isAnyOf(token, role, tokens));
  return eb('resource_version.seq', 'in', found);
}

/**
 * Type, status and held are true of nearly every row. Wrapped, they are no reason for the planner
 * to walk all of them and sort: it looks for something that narrows, or reads in the order asked for.
 */
export function isOfType(type: StoredType): Condition {
  return sql<SqlBool>`coalesce(resource_version.type, '') = ${type}`;
}

export function isNotHeld(): Condition {
  return sql<SqlBool>`coalesce(observation.held, 0) = 0`;
}

/** Few are not final: those have an index of their own, which the literal condition opens. */
export function hasStatus(statuses: readonly string[]): Condition {
  if (statuses.length === 0) return never();
  if (statuses.includes('final')) return sql<SqlBool>`coalesce(observation.status, '') in (${sql.join(statuses)})`;
  return sql<SqlBool>`(observation.status <> 'final' and observation.status in (${sql.join(statuses)}))`;
}

/** A list in a search means any of its entries; an empty one means none. */
export function isOneOf(eb: Observations, column: 'observation.person' | 'observation.device', list: readonly string[]): Condition {
  return list.length === 0 ? never() : eb(column, 'in', list);
}

export function hasId(eb: Versions, ids: readonly string[]): Condition {
  return ids.length === 0 ? never() : eb('resource_version.id', 'in', ids);
}

function never(): Condition {
  return sql<SqlBool>`1 = 0`;
}

/**
 * The query's interval against the Observation's own. `eq`: the query's contains the Observation's;
 * `gt` and `lt`: the range above or below the query's overlaps it; `sa` and `eb`: all of it lies
 * after or before.
 */
export function isAtDate(eb: Observations, { comparator, startMs, endMs }: DateBound): Condition {
  const isWithin = eb.and([eb('observation.start_ms', '>=', startMs), eb('observation.end_ms', '<=', endMs)]);
  const reachesAbove = eb('observation.end_ms', '>', endMs);
  const reachesBelow = eb('observation.start_ms', '<', startMs);
  switch (comparator) {
    case 'eq':
      // the upper bound on the start follows from the rest; it closes the range on the index
      return eb.and([isWithin, eb('observation.start_ms', '<=', endMs)]);
    case 'ne':
      return eb.or([reachesBelow, reachesAbove]);
    case 'gt':
      return reachesAbove;
    case 'lt':
      return reachesBelow;
    case 'ge':
      return eb.or([reachesAbove, isWithin]);
    case 'le':
      return eb.or([reachesBelow, isWithin]);
    case 'sa':
      return eb('observation.start_ms', '>', endMs);
    case 'eb':
      return eb('observation.end_ms', '<', startMs);
  }
}

/** The same for `_lastUpdated`, which is a point in time: one range on one index. */
export function isUpdatedAt(eb: Versions, { comparator, start, end }: InstantBound): Condition {
  const column = 'resource_version.last_updated';
  switch (comparator) {
    case 'eq':
      return eb.and([eb(column, '>=', start), eb(column, '<=', end)]);
    case 'ne':
      return eb.or([eb(column, '<', start), eb(column, '>', end)]);
    case 'gt':
    case 'sa':
      return eb(column, '>', end);
    case 'lt':
    case 'eb':
      return eb(column, '<', start);
    case 'ge':
      return eb(column, '>=', start);
    case 'le':
      return eb(column, '<=', end);
  }
}
