/** The searches that the stand-in EHR answers: the few that a sender and a demo need. */
import { exactNumber, isJsonObject, type JsonObject, type JsonValue } from '../../src/core/json.ts';
import { objectsIn, type Memory, type ResourceType, type Version } from './memory.ts';
import { FhirProblem } from './problem.ts';

const LARGEST_PAGE = 500;

type Matcher = (content: JsonObject, wanted: string) => boolean;

const MATCHERS: Readonly<Record<string, Matcher>> = {
  _id: (content, wanted) => content['id'] === wanted,
  _tag: (content, wanted) => isAmong(objectsIn(isJsonObject(content['meta']) ? content['meta']['tag'] : undefined), 'code', wanted),
  identifier: (content, wanted) => isAmong(objectsIn(content['identifier']), 'value', wanted),
  code: (content, wanted) => isAmong(objectsIn(isJsonObject(content['code']) ? content['code']['coding'] : undefined), 'code', wanted),
  patient: (content, wanted) => [wanted, `Patient/${wanted}`].includes(referenceIn(content['subject']) ?? ''),
  date: (content, wanted) => Date.parse(String(content['effectiveDateTime'])) === Date.parse(wanted),
  subject: (content, wanted) => referenceIn(content['subject']) === wanted,
  'derived-from': (content, wanted) => objectsIn(content['derivedFrom']).some((item) => referenceIn(item) === wanted),
  target: (content, wanted) => objectsIn(content['target']).some((item) => referenceIn(item) === wanted),
};

/** All matches of a search by these parameters, oldest first. Throws FhirProblem for one that is not known. */
export function matchesOf(memory: Memory, type: ResourceType, parameters: URLSearchParams): readonly Version[] {
  const filters = [...parameters].filter(([name]) => name !== '_count' && name !== '_offset');
  let found: readonly Version[] | undefined;
  for (const [name, value] of filters) {
    const matcher = MATCHERS[name];
    if (matcher === undefined) throw new FhirProblem(400, 'not-supported', `the search parameter ${name} is not served`);
    const wanted = alternativesOf(value);
    found = (found ?? candidates(memory, type, name, wanted)).filter(({ content }) => wanted.some((one) => matcher(content, one)));
  }
  return found ?? memory.all(type);
}

/** A searchset page with `next` link, at most `_count` long. */
export function searchset(memory: Memory, type: ResourceType, parameters: URLSearchParams, base: string): JsonObject {
  const all = matchesOf(memory, type, parameters);
  const count = Math.min(LARGEST_PAGE, wholeNumber(parameters.get('_count')) ?? 50);
  const offset = wholeNumber(parameters.get('_offset')) ?? 0;
  const link = (relation: string, from: number): JsonObject => {
    const query = new URLSearchParams(parameters);
    query.set('_offset', String(from));
    return { relation, url: `${base}/${type}?${query.toString()}` };
  };
  return {
    resourceType: 'Bundle',
    type: 'searchset',
    total: exactNumber(all.length),
    link: [link('self', offset), ...(count > 0 && offset + count < all.length ? [link('next', offset + count)] : [])],
    entry: all.slice(offset, offset + count).map(({ id, content }) => ({
      fullUrl: `${base}/${type}/${id}`,
      resource: content,
      search: { mode: 'match' },
    })),
  };
}

/** An index gives the first cut for tokens with a system; everything else is looked through. */
function candidates(memory: Memory, type: ResourceType, name: string, wanted: readonly string[]): readonly Version[] {
  const isIndexed = (name === 'identifier' || name === '_tag') && wanted.every((token) => /^[^|]+\|./.test(token));
  return isIndexed ? [...new Set(wanted.flatMap((token) => memory.bearing(type, name, token)))] : memory.all(type);
}

/** Splits at commas that are not escaped, and takes the escapes away (FHIR R4, Search). */
function alternativesOf(value: string): readonly string[] {
  return value.split(/(?<!\\),/).map((part) => part.replaceAll(/\\([\\$,|])/g, '$1'));
}

function isAmong(codings: readonly JsonObject[], member: string, wanted: string): boolean {
  return codings.some((coding) => {
    const value = String(coding[member]);
    const system = typeof coding['system'] === 'string' ? coding['system'] : '';
    return wanted === value || wanted === `${system}|${value}`;
  });
}

function referenceIn(value: JsonValue | undefined): string | undefined {
  const reference = isJsonObject(value) ? value['reference'] : undefined;
  return typeof reference === 'string' ? reference : undefined;
}

function wholeNumber(text: string | null): number | undefined {
  if (text === null) return undefined;
  if (!/^\d{1,6}$/.test(text)) throw new FhirProblem(400, 'value', '_count and _offset are whole numbers');
  return Number(text);
}
