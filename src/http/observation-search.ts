/**
 * `GET /fhir/Observation?…` and `POST /fhir/Observation/_search`: the EHR's pull.
 */
import { isJsonObject, parseExactJson } from '../core/json.ts';
import { personFor } from '../ingest/survivor.ts';
import type { ObservationSearch, Store, StoredResource } from '../ports.ts';
import { refuseTokenIn } from './auth/bearer.ts';
import { sendFhir } from './answer.ts';
import { readFormBody } from './body.ts';
import { preferencesOf } from './negotiation.ts';
import { LARGEST_COUNT, parseObservationQuery, type ObservationQuery } from './search/observation-query.ts';
import { parseQuery, queryOf, writeQuery, type QueryParameter } from './search/query.ts';
import { writeSearchset, type Link, type SearchEntry } from './search/searchset.ts';
import type { Handler, Request, Serving } from './serving.ts';

/** How many Patients one identifier may stand for before the search stops looking. */
const MOST_NAMESAKES = 50;

/** Parameters of the URL and, for a search by POST, of the form, as R4 http 3.1.0.9 has it. */
export function searchParametersOf(req: Request): QueryParameter[] {
  const parameters = parseQuery([queryOf(req.originalUrl), readFormBody(req)].filter((part) => part !== '').join('&'));
  refuseTokenIn(parameters);
  return parameters;
}

export function searchObservations({ store, baseUrl }: Pick<Serving, 'store' | 'baseUrl'>): Handler {
  return async (req, res) => {
    const query = parseObservationQuery(searchParametersOf(req), { lenient: preferencesOf(req).lenient, baseUrl });
    const filter = await toFilter(query, store);
    if (query.countOnly) {
      const total = await store.read.countObservations(filter);
      sendFhir(res, { status: 200, text: writeSearchset({ total, links: linksOf(baseUrl, query), entries: [] }) });
      return;
    }
    const page = await store.read.searchObservations({
      ...filter,
      sort: query.sort.length > 0 ? query.sort : [{ by: '_lastUpdated', descending: false }],
      count: query.count,
      ...(query.cursor !== undefined && { cursor: query.cursor }),
    });
    const inputs = query.withInputs ? await inputsOf(page.resources, query.includeHeld, store) : [];
    const total = query.withTotal ? await store.read.countObservations(filter) : undefined;
    const entry = ({ id, text }: StoredResource, mode: SearchEntry['mode']) => ({ fullUrl: `${baseUrl}/Observation/${id}`, text, mode });
    const entries = [...page.resources.map((found) => entry(found, 'match')), ...inputs.map((found) => entry(found, 'include'))];
    const isWhole = page.next === undefined && query.cursor === undefined;
    const known = total ?? (isWhole ? page.resources.length : undefined);
    const links = linksOf(baseUrl, query, page.next);
    sendFhir(res, { status: 200, text: writeSearchset({ links, entries, ...(known !== undefined && { total: known }) }) });
  };
}

type Filter = Omit<ObservationSearch, 'sort' | 'count' | 'cursor'>;

async function toFilter({ criteria, includeHeld }: ObservationQuery, store: Store): Promise<Filter> {
  const { personIdentifiers, persons: named, ...rest } = criteria;
  if (named) return { ...rest, includeHeld, persons: await withSurvivors(store, named) };
  if (!personIdentifiers) return { ...rest, includeHeld };
  // a reading may name the person by identifier, or by the Patient that carries it
  const persons = await Promise.all(
    personIdentifiers.map(async (identifier) => [
      `identifier:${identifier.system}|${identifier.value}`,
      ...(await store.read.idsByIdentifier('Patient', identifier, MOST_NAMESAKES)).map((id) => `Patient/${id}`),
    ]),
  );
  return { ...rest, includeHeld, persons: await withSurvivors(store, persons.flat()) };
}

/** A record that was merged into another one still finds its readings, which are filed for the survivor now. */
async function withSurvivors({ read }: Store, persons: readonly string[]): Promise<string[]> {
  const survivors = await Promise.all(
    persons.map(async (person) => (person.startsWith('Patient/') ? ((await personFor(read, person)) ?? person) : person)),
  );
  return [...new Set([...persons, ...survivors])];
}

function linksOf(baseUrl: string, { used, cursor }: ObservationQuery, next?: string): Link[] {
  const url = (at?: string) => {
    const query = writeQuery(at === undefined ? used : [...used, { name: '_cursor', value: at }]);
    return query === '' ? `${baseUrl}/Observation` : `${baseUrl}/Observation?${query}`;
  };
  const self: Link = { relation: 'self', url: url(cursor) };
  return next === undefined ? [self] : [self, { relation: 'next', url: url(next) }];
}

/**
 * The Observations that the matches were derived from, each once and only if not a match itself.
 * Held ones are out of sight here as they are among the matches.
 */
async function inputsOf(matches: readonly StoredResource[], includeHeld: boolean, store: Store): Promise<StoredResource[]> {
  const wanted = new Set(matches.flatMap(({ text }) => derivedFromOf(text)));
  for (const { id } of matches) wanted.delete(id);
  const ids = [...wanted];
  const found: StoredResource[] = [];
  for (let start = 0; start < ids.length; start += LARGEST_COUNT) {
    const some = ids.slice(start, start + LARGEST_COUNT);
    const page = await store.read.searchObservations({
      ids: some,
      includeHeld,
      sort: [{ by: '_id', descending: false }],
      count: some.length,
    });
    found.push(...page.resources);
  }
  return found;
}

function derivedFromOf(text: string): string[] {
  const parsed = parseExactJson(text);
  const list = parsed.ok && isJsonObject(parsed.value) ? parsed.value['derivedFrom'] : undefined;
  if (!Array.isArray(list)) return [];
  return list.flatMap((item) => {
    const reference = isJsonObject(item) ? item['reference'] : undefined;
    const match = typeof reference === 'string' ? /^Observation\/([A-Za-z0-9.-]{1,64})(?:\/_history\/\d+)?$/.exec(reference) : null;
    return match?.[1] === undefined ? [] : [match[1]];
  });
}
