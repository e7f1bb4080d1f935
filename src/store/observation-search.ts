/** Searching Observations: conditions, order, pages. */
import type { Expression, ExpressionBuilder, Kysely, SqlBool } from 'kysely';
import type { ObservationSearch, SearchPage } from '../ports.ts';
import { comesAfter, positionOf, stoodAt, toCursor, toStoredResource, VERSION_COLUMNS, type SortKey } from './paging.ts';
import type { StoreSchema } from './schema.ts';
import { carriesRareToken, carriesToken, hasId, hasStatus, isAtDate, isNotHeld, isOneOf, isUpdatedAt } from './search-filters.ts';

type Criteria = Omit<ObservationSearch, 'sort' | 'count' | 'cursor'>;
type Observations = ExpressionBuilder<StoreSchema, 'resource_version' | 'observation'>;

const COLUMN_OF = {
  date: 'observation.start_ms',
  _lastUpdated: 'resource_version.last_updated',
  _id: 'resource_version.id',
} as const;

/** Ends in a key that no two current versions share, so that the order is the same on every page. */
function toSortKeys(sort: ObservationSearch['sort']): SortKey[] {
  const keys: SortKey[] = sort.map(({ by, descending }) => ({ column: COLUMN_OF[by], descending }));
  const isTotal = keys.some(({ column }) => column !== 'observation.start_ms');
  if (isTotal) return keys;
  return [...keys, { column: keys.length === 0 ? 'resource_version.last_updated' : 'resource_version.seq', descending: false }];
}

/** At most `search.count` Observations as they stood when the first page was read; throws ServiceError ERR_BAD_VALUE. */
export async function searchObservations(db: Kysely<StoreSchema>, search: ObservationSearch): Promise<SearchPage> {
  const sort = toSortKeys(search.sort);
  const { snapshot, after } = await positionOf(db, search.cursor, sort);
  if (search.count < 1) return { resources: [] };
  let query = db
    .selectFrom('resource_version')
    .innerJoin('observation', 'observation.seq', 'resource_version.seq')
    .select([...VERSION_COLUMNS, 'resource_version.seq', 'observation.start_ms'])
    .where((eb) => eb.and([stoodAt(snapshot), comesAfter(after, sort), ...toConditions(eb, search)]));
  for (const { column, descending } of sort) query = query.orderBy(column, descending ? 'desc' : 'asc');
  const rows = await query.limit(search.count + 1).execute();

  const shown = rows.slice(0, search.count);
  const last = shown.at(-1);
  const resources = shown.map(toStoredResource);
  if (rows.length === shown.length || last === undefined) return { resources };
  const values = {
    'observation.start_ms': last.start_ms,
    'resource_version.last_updated': last.last_updated,
    'resource_version.id': last.id,
    'resource_version.seq': last.seq,
  };
  return { resources, next: toCursor({ snapshot, after: sort.map(({ column }) => values[column]) }, sort) };
}

/** How many current Observations fit. */
export async function countObservations(db: Kysely<StoreSchema>, criteria: Criteria): Promise<number> {
  const { found } = await db
    .selectFrom('resource_version')
    .innerJoin('observation', 'observation.seq', 'resource_version.seq')
    .select((eb) => eb.fn.countAll<number>().as('found'))
    .where((eb) => eb.and([eb('resource_version.superseded_seq', 'is', null), ...toConditions(eb, criteria)]))
    .executeTakeFirstOrThrow();
  return Number(found);
}

function toConditions(eb: Observations, criteria: Criteria): Expression<SqlBool>[] {
  const { ids, persons, statuses, devices, codes, categories, tags, identifiers, derivedFrom } = criteria;
  return [
    ...(criteria.includeHeld ? [] : [isNotHeld()]),
    ...(ids ? [hasId(eb, ids)] : []),
    ...(persons ? [isOneOf(eb, 'observation.person', persons)] : []),
    ...(statuses ? [hasStatus(statuses)] : []),
    ...(devices ? [isOneOf(eb, 'observation.device', devices)] : []),
    ...(codes ? [carriesToken(eb, 'code', codes)] : []),
    ...(categories ? [carriesToken(eb, 'category', categories)] : []),
    ...(tags ? [carriesRareToken(eb, 'tag', tags)] : []),
    ...(identifiers ? [carriesRareToken(eb, 'identifier', identifiers)] : []),
    ...(derivedFrom
      ? [
          carriesRareToken(
            eb,
            'derived-from',
            derivedFrom.map((value) => ({ value })),
          ),
        ]
      : []),
    ...(criteria.dates ?? []).map((bound) => isAtDate(eb, bound)),
    ...(criteria.lastUpdated ?? []).map((bound) => isUpdatedAt(eb, bound)),
  ];
}
