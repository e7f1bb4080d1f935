/** One entry of a posted Bundle: what it asks for, in which turn it is served, how it is answered. */
import { STATUS_CODES } from 'node:http';
import { codedMeasure, type ExactObservation } from '../core/observation.ts';
import { isJsonObject, type JsonObject } from '../core/json.ts';
import type { Quantified } from '../core/terminology.ts';
import { ServiceError } from '../errors.ts';
import type { Token } from '../ports.ts';
import { parseVersionTag } from '../version-tag.ts';
import type { IntakeAnswer } from './answer.ts';
import { parseIfNoneExist } from './if-none-exist.ts';
import type { RegistryType } from './registry.ts';

/** What an entry asks the service to do. */
export type Request =
  | { readonly kind: 'create'; readonly ifNoneExist?: Required<Token> }
  | { readonly kind: 'correct'; readonly id: string; readonly ifMatch: number }
  | { readonly kind: 'registry'; readonly type: RegistryType; readonly id: string; readonly ifMatch?: number };

export interface Entry {
  readonly index: number;
  readonly fullUrl?: string;
  readonly resource: JsonObject;
  readonly request: Request;
}

/** Reads an entry; throws ServiceError when it asks for something that is not served. */
export function toEntry(raw: JsonObject, index: number): Entry {
  const { resource, request, fullUrl } = raw;
  if (!isJsonObject(request))
    throw new ServiceError('ERR_BAD_REQUEST', 'The entry has no request; give method and url.', at(index, 'request'));
  const wanted = toRequest(request, index);
  if (!isJsonObject(resource))
    throw new ServiceError('ERR_BAD_REQUEST', 'The entry has no resource; give the reading or registry resource.', at(index, 'resource'));
  return { index, resource, request: wanted, ...(typeof fullUrl === 'string' && { fullUrl }) };
}

const CORRECTION = /^Observation\/([A-Za-z0-9\-.]{1,64})$/;
const REGISTRY = /^(Patient|Device|DeviceMetric)\/([A-Za-z0-9\-.]{1,64})$/;

function toRequest({ method, url, ifMatch, ifNoneExist }: JsonObject, index: number): Request {
  if (typeof url !== 'string') throw new ServiceError('ERR_BAD_REQUEST', 'The request has no url.', at(index, 'request.url'));
  if (method === 'POST' && url === 'Observation') {
    if (typeof ifNoneExist !== 'string') return { kind: 'create' };
    return { kind: 'create', ifNoneExist: parseIfNoneExist(ifNoneExist, at(index, 'request.ifNoneExist').expression) };
  }
  const [, observationId] = CORRECTION.exec(url) ?? [];
  if (method === 'PUT' && observationId !== undefined) {
    if (ifMatch === undefined)
      throw new ServiceError(
        'ERR_IF_MATCH_REQUIRED',
        'A correction needs request.ifMatch with the version it corrects, for example W/"1".',
        at(index, 'request.ifMatch'),
      );
    return { kind: 'correct', id: observationId, ifMatch: weakVersion(ifMatch, index) };
  }
  const [, type, id] = REGISTRY.exec(url) ?? [];
  if (method === 'PUT' && type !== undefined && id !== undefined) {
    return { kind: 'registry', type: type as RegistryType, id, ...(ifMatch !== undefined && { ifMatch: weakVersion(ifMatch, index) }) };
  }
  throw new ServiceError(
    'ERR_METHOD',
    'A Bundle may hold POST Observation, PUT Observation/id and PUT of Patient, Device or DeviceMetric.',
    at(index, 'request'),
  );
}

function weakVersion(tag: unknown, index: number): number {
  const version = typeof tag === 'string' ? parseVersionTag(tag) : undefined;
  if (version === undefined) throw new ServiceError('ERR_BAD_VALUE', 'ifMatch must be a version like W/"1".', at(index, 'request.ifMatch'));
  return version;
}

export function at(index: number, element: string): { readonly expression: string } {
  return { expression: `Bundle.entry[${index}].${element}` };
}

/**
 * The fault of a call with its place in the Bundle: what a call of its own says in its address and
 * headers stands in the entry's request, and its body is the entry's resource.
 */
export function faultInEntry({ code, message, expression = 'http.path' }: ServiceError, index: number): ServiceError {
  if (expression.startsWith('Bundle.')) return new ServiceError(code, message, { expression });
  if (!expression.startsWith('http.')) return new ServiceError(code, message, at(index, expression.replace(/^[A-Za-z]+/, 'resource')));
  return new ServiceError(code, message, at(index, expression === 'http.If-Match' ? 'request.ifMatch' : 'request.url'));
}

/** How many turns a Bundle is served in. */
export const TURNS = [0, 1, 2, 3] as const;

/**
 * The turn in which an entry is served: people and scales first, so that readings are judged with
 * them; heights before weights, so that a weight is not told that it has no BMI; a sender's BMI
 * last, so that there is something to compare it with.
 */
export function turnOf({ request, resource }: Entry): (typeof TURNS)[number] {
  if (request.kind === 'registry') return 0;
  const of = measureOf(resource);
  return of === 'height' ? 1 : of === 'bmi' ? 3 : 2;
}

function measureOf(resource: JsonObject): Quantified | undefined {
  const code = resource['code'];
  if (!isJsonObject(code) || !Array.isArray(code['coding']) || !code['coding'].every(isJsonObject)) return undefined;
  return codedMeasure(resource as unknown as ExactObservation)?.of;
}

/** The `response` element of an answer. */
export function toResponse({ status, resource, outcome }: IntakeAnswer): JsonObject {
  return {
    status: statusLine(status),
    ...(resource && {
      location: `${resource.type}/${resource.id}/_history/${resource.version}`,
      etag: `W/"${resource.version}"`,
      lastModified: resource.lastUpdated,
    }),
    outcome: outcome as unknown as JsonObject,
  };
}

export function statusLine(status: number): string {
  return `${status} ${STATUS_CODES[status] ?? ''}`.trim();
}
