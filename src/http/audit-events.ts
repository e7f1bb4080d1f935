/**
 * `GET /fhir/AuditEvent/{id}` and `GET /fhir/AuditEvent?…`: for those who ask who saw or did what.
 */
import type { Store } from '../ports.ts';
import { sendFhir } from './answer.ts';
import { preferencesOf } from './negotiation.ts';
import { searchParametersOf } from './observation-search.ts';
import { idOf, notFound } from './path-id.ts';
import { parseAuditQuery, type AuditCriteria } from './search/audit-query.ts';
import { writeQuery } from './search/query.ts';
import { writeSearchset, type Link } from './search/searchset.ts';
import type { Handler, Serving } from './serving.ts';

export function readAuditEvent({ store }: Pick<Serving, 'store'>): Handler {
  return async (req, res) => {
    const event = await store.audit.event(idOf(req));
    if (!event) throw notFound();
    sendFhir(res, { status: 200, text: event.text });
  };
}

export function searchAuditEvents({ store, baseUrl }: Pick<Serving, 'store' | 'baseUrl'>): Handler {
  return async (req, res) => {
    const { criteria, used } = parseAuditQuery(searchParametersOf(req), { lenient: preferencesOf(req).lenient, baseUrl });
    const { people, entities, ...rest } = criteria;
    const references = [...(people ? [await everyKeyOf(people, store)] : []), ...(entities ? [entities] : [])];
    const page = await store.audit.search({ ...rest, ...(references.length > 0 && { references }) });
    const entries = page.events.map(({ id, text }) => ({ fullUrl: `${baseUrl}/AuditEvent/${id}`, text, mode: 'match' as const }));
    const isWhole = page.next === undefined && criteria.cursor === undefined && criteria.count > 0;
    const links = linksOf(baseUrl, used, criteria, page.next);
    sendFhir(res, { status: 200, text: writeSearchset({ links, entries, ...(isWhole && { total: entries.length }) }) });
  };
}

/** A person's readings may have come under an identifier, or under a record that was merged into theirs. */
async function everyKeyOf(people: readonly string[], { read }: Store): Promise<readonly string[]> {
  const others = await Promise.all(people.map((person) => read.keysFiledFor(person)));
  return [...new Set([...people, ...others.flat()])];
}

function linksOf(baseUrl: string, used: Parameters<typeof writeQuery>[0], { cursor }: AuditCriteria, next?: string): Link[] {
  const url = (at?: string): string => {
    const query = writeQuery(at === undefined ? used : [...used, { name: '_cursor', value: at }]);
    return query === '' ? `${baseUrl}/AuditEvent` : `${baseUrl}/AuditEvent?${query}`;
  };
  const self: Link = { relation: 'self', url: url(cursor) };
  return next === undefined ? [self] : [self, { relation: 'next', url: url(next) }];
}
