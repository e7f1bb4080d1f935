/**
 * Create and update, alone and inside a Bundle, as FHIR R4 "RESTful API" describes them:
 * conditional create and update, `urn:uuid:` and conditional references, all or nothing.
 */
import { isJsonObject, type JsonObject, type JsonValue } from '../../src/core/json.ts';
import { RESOURCE_TYPES, type Memory, type ResourceType, type Version } from './memory.ts';
import { FhirProblem } from './problem.ts';
import { matchesOf } from './search.ts';

export interface Written {
  readonly status: 200 | 201;
  readonly version: Version;
  /** False when a conditional create found it there already. */
  readonly isChanged: boolean;
}

/** Finds what a conditional request is about; a racy receiver looks too early. */
export type Finder = (type: ResourceType, query: string) => readonly Version[];

export function finderIn(memory: Memory): Finder {
  return (type, query) => matchesOf(memory, type, new URLSearchParams(query));
}

const REQUIRED: Readonly<Record<ResourceType, readonly string[]>> = {
  Observation: ['status', 'code'],
  Provenance: ['target', 'recorded', 'agent'],
  Patient: [],
  Device: [],
};

export function typeOf(text: string): ResourceType {
  const type = RESOURCE_TYPES.find((known) => known === text);
  if (type === undefined) throw new FhirProblem(404, 'not-supported', 'this resource type is not served');
  return type;
}

export function create(memory: Memory, find: Finder, type: ResourceType, content: JsonObject, ifNoneExist?: string): Written {
  requireShape(type, content);
  const existing = ifNoneExist === undefined ? undefined : onlyMatch(find(type, ifNoneExist));
  if (existing !== undefined) return { status: 200, version: existing, isChanged: false };
  return { status: 201, version: memory.put(type, content), isChanged: true };
}

/**
 * @param target `Observation/123`, or `Observation?identifier=…` for a conditional update
 * People and devices may be put under ids of the sender's choice; readings get ids of ours.
 */
export function update(memory: Memory, find: Finder, target: string, content: JsonObject, ifMatch?: string): Written {
  const [, typeText = '', id, query] = /^([A-Za-z]+)(?:\/([A-Za-z0-9\-.]{1,64})|\?(.+))$/.exec(target) ?? [];
  const type = typeOf(typeText);
  requireShape(type, content);
  if (query !== undefined) {
    const existing = onlyMatch(find(type, query));
    return { status: existing === undefined ? 201 : 200, version: memory.put(type, content, existing?.id), isChanged: true };
  }
  if (content['id'] !== id) throw new FhirProblem(400, 'invalid', 'the id in the body is not the id in the URL', 'id');
  const existing = memory.current(target);
  if (existing === undefined && (type === 'Observation' || type === 'Provenance')) {
    throw new FhirProblem(405, 'not-supported', 'the server gives out the ids of readings');
  }
  if (ifMatch !== undefined && ifMatch !== `W/"${existing?.version}"`)
    throw new FhirProblem(412, 'conflict', 'this is not the current version');
  return { status: existing === undefined ? 201 : 200, version: memory.put(type, content, id), isChanged: true };
}

function onlyMatch(matches: readonly Version[]): Version | undefined {
  if (matches.length > 1) throw new FhirProblem(412, 'multiple-matches', 'several resources match the condition');
  return matches[0];
}

function requireShape(type: ResourceType, content: JsonObject): void {
  if (content['resourceType'] !== type)
    throw new FhirProblem(400, 'invalid', 'the resource is not of the type that the URL names', 'resourceType');
  const lacking = REQUIRED[type].find((element) => content[element] === undefined);
  if (lacking !== undefined) throw new FhirProblem(422, 'required', `${type}.${lacking} is missing`, `${type}.${lacking}`);
}

/** Makes every reference inside literal, and amends the stored version. Throws FhirProblem for one that leads nowhere. */
export function settleReferences(memory: Memory, version: Version, links: ReadonlyMap<string, string>): void {
  memory.amend(version, resolve(version.content) as JsonObject);

  function resolve(value: JsonValue): JsonValue {
    if (Array.isArray(value)) return value.map(resolve);
    if (!isJsonObject(value)) return value;
    return Object.fromEntries(
      Object.entries(value).map(([key, item]) => [key, key === 'reference' && typeof item === 'string' ? literal(item) : resolve(item)]),
    );
  }

  function literal(reference: string): string {
    if (reference.startsWith('urn:')) {
      const target = links.get(reference);
      if (target === undefined) throw new FhirProblem(400, 'not-found', 'a urn: reference leads to no entry of the Bundle', 'Bundle.entry');
      return target;
    }
    const [type = '', query] = reference.split('?');
    if (query !== undefined) {
      const found = onlyMatch(matchesOf(memory, typeOf(type), new URLSearchParams(query)));
      if (found === undefined) throw new FhirProblem(412, 'not-found', 'a conditional reference matches nothing', 'Bundle.entry');
      return `${found.type}/${found.id}`;
    }
    // what readings and their provenance refer to must be here; people and devices may be kept elsewhere
    const [path = ''] = reference.split('/_history/');
    if (/^(Observation|Provenance)\//.test(path) && memory.current(path) === undefined) {
      throw new FhirProblem(422, 'not-found', 'a reference leads to a reading that is not here', 'Bundle.entry');
    }
    return reference;
  }
}
