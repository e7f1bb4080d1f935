/**
 * A scale that was found wrong: `$affected` lists what it measured since a time, `$recall` marks it.
 */
import type * as fhir4 from 'fhir/r4.js';
import { namesPerson } from '../caller.ts';
import { parseDateTime, type Effective } from '../core/fhir-time.ts';
import { isJsonObject, stringifyExact, type JsonObject, type JsonValue } from '../core/json.ts';
import { ServiceError } from '../errors.ts';
import type { Recalled, RecallOrder } from '../ingest.ts';
import { notYourself } from '../ingest/parameters.ts';
import type { StoredResource } from '../ports.ts';
import { sendFhir } from './answer.ts';
import { readJsonBody } from './body.ts';
import { idOf } from './path-id.ts';
import { DEFAULT_COUNT, parseCount, parseCursor } from './search/observation-query.ts';
import { parseQuery, queryOf, writeQuery } from './search/query.ts';
import { callOf } from './request-notes.ts';
import { writeSearchset, type Link, type SearchEntry } from './search/searchset.ts';
import type { Handler, Request, Serving } from './serving.ts';

const SINCE_FORM = 'since must be a day such as 2026-03-01, or a time with its offset such as 2026-03-01T08:00:00+01:00.';
const LONGEST_REASON = 1000;
const LONGEST_TEXT = 300;

export function affectedByScale({ intake, baseUrl }: Serving): Handler {
  return async (req, res) => {
    const id = idOf(req);
    const given = req.method === 'POST' ? bodyParameters(req) : queryParameters(req);
    given.allow(['since', '_count', '_cursor', '_format']);
    const since = sinceIn(given);
    const count = given.has('_count') ? parseCount(given.text('_count')) : DEFAULT_COUNT;
    const cursor = given.has('_cursor') ? parseCursor(given.text('_cursor')) : undefined;
    const { readings, derived, total, next } = await intake(callOf(res)).affected(id, since, {
      count,
      ...(cursor !== undefined && { cursor }),
    });
    const url = (at?: string): string => {
      const parameters = [
        { name: 'since', value: since.text },
        { name: '_count', value: String(count) },
      ];
      return `${baseUrl}/Device/${id}/$affected?${writeQuery(at === undefined ? parameters : [...parameters, { name: '_cursor', value: at }])}`;
    };
    const links: Link[] = [
      { relation: 'self', url: url(cursor) },
      ...(next === undefined ? [] : [{ relation: 'next' as const, url: url(next) }]),
    ];
    const entry = ({ id: of, text }: StoredResource, mode: SearchEntry['mode']): SearchEntry => ({
      fullUrl: `${baseUrl}/Observation/${of}`,
      text,
      mode,
    });
    const entries = [...readings.map((one) => entry(one, 'match')), ...derived.map((one) => entry(one, 'include'))];
    sendFhir(res, { status: 200, text: writeSearchset({ total, links, entries }) });
  };
}

export function recallScale({ intake }: Serving): Handler {
  return async (req, res) => {
    const id = idOf(req);
    const call = callOf(res);
    const order = orderIn(bodyParameters(req), call.caller.person);
    sendFhir(res, { status: 200, text: stringifyExact(toParameters(await intake(call).recall(id, order), order)) });
  };
}

function toParameters({ affected, marked, derived, rejudged }: Recalled, { action }: RecallOrder): fhir4.Parameters {
  const references = (name: string, ids: readonly string[]): fhir4.ParametersParameter[] =>
    ids.map((id) => ({ name, valueReference: { reference: `Observation/${id}` } }));
  return {
    resourceType: 'Parameters',
    parameter: [
      { name: 'message', valueString: messageOf(affected, marked.length, action) },
      { name: 'affected', valueInteger: affected },
      { name: 'alreadyMarked', valueInteger: affected - marked.length },
      { name: 'marked', valueInteger: marked.length },
      { name: 'derivedChanged', valueInteger: derived.length },
      { name: 'rejudged', valueInteger: rejudged.length },
      ...references('reading', marked),
      ...references('derived', derived),
      ...references('otherReading', rejudged),
    ],
  };
}

function messageOf(affected: number, marked: number, action: RecallOrder['action']): string {
  if (affected === 0) return 'This scale measured nothing since then; nothing was changed.';
  const how = action === 'flagged' ? 'flagged' : 'entered in error';
  if (marked === 0) return `All ${affected} readings of this scale since then were marked before; nothing was changed.`;
  const before = affected === marked ? '' : `; ${affected - marked} were marked before`;
  return `${marked} of ${affected} readings of this scale since then were marked as ${how}${before}.`;
}

/** Parameters by name; a list says where in the request each stands. */
interface Given {
  has(name: string): boolean;
  /** Its one text; throws ServiceError ERR_BAD_VALUE when it is missing or empty. */
  text(name: string): string;
  value(name: string): JsonObject | undefined;
  at(name: string): { readonly expression: string };
  /** Throws ServiceError for a name that is not among these, and for one that is given twice. */
  allow(names: readonly string[]): void;
}

function sinceIn(given: Given): Effective {
  const since = parseDateTime(given.text('since'));
  if (since === undefined) throw new ServiceError('ERR_BAD_VALUE', SINCE_FORM, given.at('since'));
  return since;
}

/** @param person who is logged in, and recalls it */
function orderIn(given: Given, person: fhir4.Reference | undefined): RecallOrder {
  given.allow(['since', 'action', 'reason', 'who']);
  const since = sinceIn(given);
  const action = given.text('action');
  if (action !== 'entered-in-error' && action !== 'flagged')
    throw new ServiceError('ERR_BAD_VALUE', 'action must be entered-in-error or flagged.', given.at('action'));
  const reason = given.text('reason').trim();
  if (reason.length > LONGEST_REASON)
    throw new ServiceError('ERR_BAD_VALUE', `reason may have at most ${LONGEST_REASON} characters.`, given.at('reason'));
  return { since, action, reason, who: person === undefined ? whoIn(given) : onlyNaming(person, given) };
}

function onlyNaming(person: fhir4.Reference, given: Given): fhir4.Reference {
  if (given.has('who') && !namesPerson(whoIn(given), person)) throw notYourself(given.at('who').expression);
  return person;
}

/** A Reference of which only what names somebody is kept, or a name as text. */
function whoIn(given: Given): fhir4.Reference {
  const reference = given.value('who')?.['valueReference'];
  if (reference === undefined) return { display: limited(given.text('who'), given) };
  const { reference: literal, identifier, display } = isJsonObject(reference) ? reference : {};
  const { system, value } = isJsonObject(identifier) ? identifier : {};
  const who: fhir4.Reference = {
    ...(typeof literal === 'string' && /^[A-Z][A-Za-z]{1,40}\/[A-Za-z0-9.-]{1,64}$/.test(literal) && { reference: literal }),
    ...(typeof system === 'string' &&
      typeof value === 'string' && { identifier: { system: limited(system, given), value: limited(value, given) } }),
    ...(typeof display === 'string' && display.trim() !== '' && { display: limited(display, given) }),
  };
  if (Object.keys(who).length === 0)
    throw new ServiceError(
      'ERR_BAD_VALUE',
      'who must name somebody: a Reference such as Practitioner/id, an identifier, or a text.',
      given.at('who'),
    );
  return who;
}

function limited(text: string, given: Given): string {
  if (text.trim() === '' || text.length > LONGEST_TEXT)
    throw new ServiceError('ERR_BAD_VALUE', `who must be a text of 1 to ${LONGEST_TEXT} characters.`, given.at('who'));
  return text.trim();
}

function queryParameters(req: Request): Given {
  const list = parseQuery(queryOf(req.originalUrl)).map(({ name, value }) => ({ name, valueString: value }));
  return givenIn(list, (index) => `http.${isName(list[index]?.name) ? list[index]?.name : 'query'}`, 'http.query');
}

function bodyParameters(req: Request): Given {
  const { value } = readJsonBody(req);
  if (!isJsonObject(value) || value['resourceType'] !== 'Parameters')
    throw new ServiceError('ERR_BAD_REQUEST', 'Send a Parameters resource.', { expression: 'Parameters' });
  const raw = value['parameter'] ?? [];
  if (!Array.isArray(raw) || !raw.every(isJsonObject))
    throw new ServiceError('ERR_BAD_REQUEST', 'parameter must be a list of named values.', { expression: 'Parameters.parameter' });
  return givenIn(raw, (index) => `Parameters.parameter[${index}]`, 'Parameters.parameter');
}

function isName(name: unknown): name is string {
  return typeof name === 'string' && /^[A-Za-z_]{1,40}$/.test(name);
}

function givenIn(list: readonly JsonObject[], placeOf: (index: number) => string, whole: string): Given {
  const indexOf = (name: string): number => list.findIndex((item) => item['name'] === name);
  const at = (name: string): { readonly expression: string } => ({ expression: indexOf(name) < 0 ? whole : placeOf(indexOf(name)) });
  const value = (name: string): JsonObject | undefined => list[indexOf(name)];
  return {
    at,
    value,
    has: (name) => indexOf(name) >= 0,
    text: (name) => {
      const text = textIn(value(name));
      if (text === undefined) throw new ServiceError('ERR_BAD_VALUE', `${name} is required, and must not be empty.`, at(name));
      return text;
    },
    allow: (names) => {
      list.forEach((item, index) => {
        const place = { expression: placeOf(index) };
        const { name } = item;
        if (typeof name !== 'string' || !names.includes(name))
          throw new ServiceError('ERR_NOT_SUPPORTED', `Only ${names.join(', ')} are understood here.`, place);
        if (indexOf(name) !== index) throw new ServiceError('ERR_BAD_VALUE', `${name} may be given once.`, place);
      });
    },
  };
}

const TEXT_MEMBERS = ['valueDateTime', 'valueDate', 'valueInstant', 'valueCode', 'valueString'] as const;

function textIn(parameter: JsonObject | undefined): string | undefined {
  const texts = TEXT_MEMBERS.map((member): JsonValue | undefined => parameter?.[member]);
  const count = parameter?.['valueInteger'] ?? parameter?.['valuePositiveInt'];
  const text = texts.find((member) => typeof member === 'string') ?? (count === undefined ? undefined : stringifyExact(count));
  return typeof text === 'string' && text.trim() !== '' ? text : undefined;
}
