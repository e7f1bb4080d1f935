/**
 * Patient, Device, DeviceMetric: the little that judging a reading needs to know, told by PUT.
 * Search of these and of Provenance, by id, identifier and one reference.
 */
import type { StoredType } from '../ports.ts';
import { sendFhir } from './answer.ts';
import { readJsonBody } from './body.ts';
import { ifMatchVersion } from './conditional.ts';
import { sendIntakeAnswer } from './intake-answer.ts';
import { preferencesOf } from './negotiation.ts';
import { searchParametersOf } from './observation-search.ts';
import { checkBodyId, idOf } from './path-id.ts';
import { callOf } from './request-notes.ts';
import { DEFAULT_COUNT, parseCount, parseCursor } from './search/observation-query.ts';
import { writeQuery, type QueryParameter } from './search/query.ts';
import { badParameter, unservedParameter } from './search/refusals.ts';
import { writeSearchset, type Link } from './search/searchset.ts';
import { alternatives, referenceId, resourceId, token } from './search/values.ts';
import type { Handler, Serving } from './serving.ts';

export type RegistryType = 'Patient' | 'Device' | 'DeviceMetric';
export type SearchedType = Exclude<StoredType, 'Observation'>;

export function putRegistry(serving: Serving, type: RegistryType): Handler {
  return async (req, res) => {
    const { value } = readJsonBody(req);
    const id = idOf(req);
    checkBodyId(value, id);
    sendIntakeAnswer(req, res, await serving.intake(callOf(res)).putRegistry(type, id, value, ifMatchVersion(req)), serving);
  };
}

/** The one reference that each type is searched by, and what it refers to. */
export const REFERENCE_PARAMETERS: Readonly<Partial<Record<SearchedType, { readonly name: string; readonly target: StoredType }>>> = {
  Device: { name: 'patient', target: 'Patient' },
  DeviceMetric: { name: 'source', target: 'Device' },
  Provenance: { name: 'target', target: 'Observation' },
};

interface RegistryQuery {
  ids?: string[];
  identifiers?: ReturnType<typeof token>[];
  references?: string[];
  count: number;
  cursor?: string;
}

export function searchRegistry({ store, baseUrl }: Serving, type: SearchedType): Handler {
  return async (req, res) => {
    const { query, used } = parseRegistryQuery(searchParametersOf(req), type, preferencesOf(req).lenient, baseUrl);
    const page = await store.read.searchRegistry(type, query);
    const url = (cursor?: string) => {
      const parameters = cursor === undefined ? used : [...used, { name: '_cursor', value: cursor }];
      return parameters.length === 0 ? `${baseUrl}/${type}` : `${baseUrl}/${type}?${writeQuery(parameters)}`;
    };
    const links: Link[] = [{ relation: 'self', url: url(query.cursor) }];
    if (page.next !== undefined) links.push({ relation: 'next', url: url(page.next) });
    const entries = page.resources.map(({ id, text }) => ({ fullUrl: `${baseUrl}/${type}/${id}`, text, mode: 'match' as const }));
    const isWhole = page.next === undefined && query.cursor === undefined && query.count > 0;
    sendFhir(res, { status: 200, text: writeSearchset({ links, entries, ...(isWhole && { total: entries.length }) }) });
  };
}

function parseRegistryQuery(parameters: readonly QueryParameter[], type: SearchedType, lenient: boolean, baseUrl: string) {
  const query: RegistryQuery = { count: DEFAULT_COUNT };
  const used: QueryParameter[] = [];
  const seen = new Set<string>();
  const reference = REFERENCE_PARAMETERS[type];
  for (const { name, value } of parameters) {
    const isKnown = name === '_id' || name === '_count' || name === '_cursor' || name === '_format' || name === reference?.name;
    const isIdentifier = name === 'identifier' && type !== 'Provenance';
    if (!isKnown && !isIdentifier) {
      if (lenient) continue;
      throw unservedParameter(name, `is not served for ${type}.`);
    }
    if (value === '') throw badParameter(name, 'has no value.');
    if (seen.has(name)) throw unservedParameter(name, 'may be given once.');
    seen.add(name);
    if (name === '_id') query.ids = alternatives(name, value).map((text) => resourceId(name, text));
    else if (isIdentifier) query.identifiers = alternatives(name, value).map((text) => token(name, text));
    else if (name === '_count') query.count = parseCount(value);
    else if (name === '_cursor') query.cursor = parseCursor(value);
    else if (reference && name === reference.name) {
      query.references = alternatives(name, value).map(
        (text) => `${reference.target}/${referenceId(name, text, reference.target, baseUrl)}`,
      );
    }
    if (name !== '_cursor') used.push({ name, value: name === '_count' ? String(query.count) : value });
  }
  return { query, used };
}
