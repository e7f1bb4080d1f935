/** Searching Patients, Devices, DeviceMetrics and Provenances: by id, identifier, reference; oldest version first. */
import type { Kysely } from 'kysely';
import type { SearchPage, StoreReader } from '../ports.ts';
import { comesAfter, positionOf, stoodAt, toCursor, toStoredResource, VERSION_COLUMNS, type SortKey } from './paging.ts';
import type { StoreSchema } from './schema.ts';
import { carriesRareToken, hasId, isOfType } from './search-filters.ts';

type SearchArguments = Parameters<StoreReader['searchRegistry']>;

const SORT: readonly SortKey[] = [{ column: 'resource_version.last_updated', descending: false }];

/** At most `search.count` resources as they stood when the first page was read; throws ServiceError ERR_BAD_VALUE. */
export async function searchRegistry(db: Kysely<StoreSchema>, ...[type, search]: SearchArguments): Promise<SearchPage> {
  const { ids, identifiers, references, count, cursor } = search;
  const { snapshot, after } = await positionOf(db, cursor, SORT);
  if (count < 1) return { resources: [] };
  const rows = await db
    .selectFrom('resource_version')
    .select(VERSION_COLUMNS)
    .where((eb) =>
      eb.and([
        ids || identifiers || references ? isOfType(type) : eb('resource_version.type', '=', type),
        stoodAt(snapshot),
        comesAfter(after, SORT),
        ...(ids ? [hasId(eb, ids)] : []),
        ...(identifiers ? [carriesRareToken(eb, 'identifier', identifiers)] : []),
        ...(references
          ? [
              carriesRareToken(
                eb,
                'reference',
                references.map((value) => ({ value })),
              ),
            ]
          : []),
      ]),
    )
    .orderBy('resource_version.last_updated')
    .limit(count + 1)
    .execute();
  const shown = rows.slice(0, count);
  const last = shown.at(-1);
  const resources = shown.map(toStoredResource);
  if (rows.length === shown.length || last === undefined) return { resources };
  return { resources, next: toCursor({ snapshot, after: [last.last_updated] }, SORT) };
}
