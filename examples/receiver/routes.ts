/** Which FHIR call a request is, and its answer. Knows nothing of sockets or faults. */
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { applyBundle } from './bundle.ts';
import { capabilityStatement } from './capability.ts';
import { create, settleReferences, typeOf, update, type Finder, type Written } from './interactions.ts';
import type { Memory, Version } from './memory.ts';
import { FhirProblem } from './problem.ts';
import { searchset } from './search.ts';

export interface Call {
  readonly method: string;
  /** Below the base, without a slash at the start or end: `Observation/1/_history`. */
  readonly path: string;
  readonly query: string;
  readonly body: string;
  readonly ifNoneExist?: string;
  readonly ifMatch?: string;
}

export interface Answer {
  readonly status: number;
  readonly headers: Readonly<Record<string, string>>;
  readonly body: JsonObject;
}

/** Throws FhirProblem for what cannot be served. */
export function answer(memory: Memory, find: Finder, base: string, call: Call): Answer {
  const [typeText = '', id, historyText, versionText] = call.path.split('/');
  const { method } = call;
  if (method === 'GET' && call.path === 'metadata') return plain(capabilityStatement(base));
  if (method === 'POST' && call.path === '') return plain(applyBundle(memory, find, resourceIn(call.body, 'Bundle')));
  const type = typeOf(typeText);
  if (method === 'GET' && id === undefined) return plain(searchset(memory, type, new URLSearchParams(call.query), base));
  if (method === 'POST' && id === '_search') return plain(searchset(memory, type, new URLSearchParams(call.body), base));
  if (method === 'POST' && id === undefined)
    return written(memory, base, create(memory, find, type, resourceIn(call.body), call.ifNoneExist));
  if (method === 'PUT' && historyText === undefined) {
    const target = id === undefined ? `${type}?${call.query}` : `${type}/${id}`;
    return written(memory, base, update(memory, find, target, resourceIn(call.body), call.ifMatch));
  }
  if (method === 'GET' && historyText === undefined) return found(memory.current(`${type}/${id}`), base, 200);
  if (method === 'GET' && historyText === '_history') {
    const versions = memory.history(`${type}/${id}`);
    return versionText === undefined ? history(versions, base) : found(versions[Number(versionText) - 1], base, 200);
  }
  throw new FhirProblem(405, 'not-supported', 'this call is not served');
}

function resourceIn(body: string, type?: string): JsonObject {
  const parsed = parseExactJson(body);
  if (!parsed.ok) throw new FhirProblem(400, 'structure', parsed.problem.reason);
  if (!isJsonObject(parsed.value) || (type !== undefined && parsed.value['resourceType'] !== type)) {
    throw new FhirProblem(400, 'structure', `the body is not a ${type ?? 'resource'}`);
  }
  return parsed.value;
}

function written(memory: Memory, base: string, { status, version, isChanged }: Written): Answer {
  if (isChanged) settleReferences(memory, version, new Map());
  return found(memory.current(`${version.type}/${version.id}`), base, status);
}

function found(version: Version | undefined, base: string, status: number): Answer {
  if (version === undefined) throw new FhirProblem(404, 'not-found', 'there is no such resource');
  const { type, id, lastUpdated, content } = version;
  return {
    status,
    headers: {
      etag: `W/"${version.version}"`,
      'last-modified': new Date(lastUpdated).toUTCString(),
      location: `${base}/${type}/${id}/_history/${version.version}`,
    },
    body: content,
  };
}

function history(versions: readonly Version[], base: string): Answer {
  if (versions.length === 0) throw new FhirProblem(404, 'not-found', 'there is no such resource');
  const entry = versions.toReversed().map(({ type, id, version, content }) => ({
    fullUrl: `${base}/${type}/${id}`,
    resource: content,
    request: { method: version === 1 ? 'POST' : 'PUT', url: version === 1 ? type : `${type}/${id}` },
    response: { status: version === 1 ? '201' : '200', etag: `W/"${version}"` },
  }));
  return plain({ resourceType: 'Bundle', type: 'history', entry });
}

function plain(body: JsonObject): Answer {
  return { status: 200, headers: {}, body };
}
