/**
 * What goes over the wire for one outbox item: a `transaction` Bundle of exact JSON.
 *
 * Pure. Conditional on our identifiers, so that sending the same item again creates nothing twice
 * (FHIR R4, RESTful API, conditional create and conditional update). Numbers keep their written
 * digits; nothing that the sender wrote is changed but references to our own Observations, which
 * the EHR knows under ids of its own.
 */
import { isJsonObject, stringifyExact, type JsonObject, type JsonValue } from '../core/json.ts';
import { fullUrlOf, searchFor, withIdentity, type ForwardedType, type Identity } from './identity.ts';

export interface OutgoingResource {
  readonly type: ForwardedType;
  readonly id: string;
  readonly version: number;
  readonly content: JsonObject;
  readonly identity: Identity;
  /** `Observation/123` at the EHR, when it is known to hold an earlier version. */
  readonly copyAt?: string;
  /** The version that the EHR gave its copy when it was looked at; it must be that one still. */
  readonly seenVersionId?: string;
}

/** What each entry of the answer is checked against. */
export interface OutgoingEntry {
  readonly type: ForwardedType;
  readonly id: string;
  readonly version: number;
  readonly identity: Identity;
  readonly method: 'POST' | 'PUT';
  /** As it leaves. */
  readonly content: JsonObject;
  /** The only reference that the EHR may name for it; absent when the EHR chooses. */
  readonly copyAt?: string;
}

export interface OutgoingBundle {
  readonly text: string;
  readonly entries: readonly OutgoingEntry[];
}

/** Where a reference leads at the EHR, or by what it may be known there one day. */
export type Target = string | Identity;

/** A relative reference to an Observation, version-specific or not. */
const OBSERVATION_REFERENCE = /^Observation\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/;

/** Ids of all Observations that a resource refers to, each once. */
export function referencedObservations(content: JsonObject): readonly string[] {
  const ids = new Set<string>();
  withReferences(content, (reference) => {
    const id = OBSERVATION_REFERENCE.exec(reference)?.[1];
    if (id !== undefined) ids.add(id);
    return { reference };
  });
  return [...ids];
}

/**
 * @param resources what the EHR still lacks, each resource once
 * @param elsewhere how the EHR is told of an Observation that is not among `resources`, by our id:
 *   its literal reference there, or our identifier when it has none there; an id that is not in
 *   the map is not ours and its reference stays as the sender wrote it
 */
export function buildOutgoingBundle(resources: readonly OutgoingResource[], elsewhere: ReadonlyMap<string, Target>): OutgoingBundle {
  const targets = new Map(elsewhere);
  for (const { type, id, copyAt } of resources) {
    if (type === 'Observation') targets.set(id, copyAt ?? fullUrlOf(type, id));
  }
  const entries = resources.map((resource) => {
    const { type, id, version, identity, copyAt } = resource;
    return {
      type,
      id,
      version,
      identity,
      method: isUpdate(version, copyAt) ? ('PUT' as const) : ('POST' as const),
      content: outgoingCopy(resource, targets),
      ...(copyAt === undefined ? {} : { copyAt }),
    };
  });
  const bundle: JsonObject = {
    resourceType: 'Bundle',
    type: 'transaction',
    entry: resources.map((resource, at) => ({
      fullUrl: fullUrlOf(resource.type, resource.id),
      resource: (entries[at] as OutgoingEntry).content,
      request: requestOf(resource),
    })),
  };
  return { text: stringifyExact(bundle), entries };
}

function isUpdate(version: number, copyAt: string | undefined): boolean {
  return copyAt !== undefined || version > 1;
}

function requestOf({ type, version, identity, copyAt, seenVersionId }: OutgoingResource): JsonObject {
  if (!isUpdate(version, copyAt)) return { method: 'POST', url: type, ifNoneExist: searchFor([identity]) };
  return {
    method: 'PUT',
    url: copyAt ?? `${type}?${searchFor([identity])}`,
    ...(copyAt !== undefined && seenVersionId !== undefined && { ifMatch: `W/"${seenVersionId}"` }),
  };
}

/** Without what the receiving server assigns; with the id that a PUT to a literal URL must repeat. */
function outgoingCopy({ type, content, identity, copyAt }: OutgoingResource, targets: ReadonlyMap<string, Target>): JsonObject {
  const { resourceType: _type, id: _id, meta, ...rest } = withIdentity(content, identity);
  const { versionId: _version, lastUpdated: _updated, ...keptMeta } = isJsonObject(meta) ? meta : {};
  const rewritten = withReferences(rest, (reference) =>
    pointer(targets.get(OBSERVATION_REFERENCE.exec(reference)?.[1] ?? '') ?? reference),
  );
  return {
    resourceType: type,
    ...(copyAt === undefined ? {} : { id: copyAt.slice(type.length + 1) }),
    ...(Object.keys(keptMeta).length === 0 ? {} : { meta: keptMeta }),
    ...rewritten,
  };
}

/** FHIR R4, References, "Logical references": an identifier, where there is nothing to point at. */
function pointer(target: Target): JsonObject {
  if (typeof target === 'string') return { reference: target };
  const { type, system, value } = target;
  return { type, identifier: { system, value } };
}

/** A copy in which every `reference` member gave way to what `rewrite` made of it; its neighbours stay as they are. */
function withReferences<Value extends JsonValue>(value: Value, rewrite: (reference: string) => JsonObject): Value;
function withReferences(value: JsonValue, rewrite: (reference: string) => JsonObject): JsonValue {
  if (Array.isArray(value)) return value.map((item) => withReferences(item, rewrite));
  if (!isJsonObject(value)) return value;
  return Object.fromEntries(
    Object.entries(value).flatMap(([key, item]) =>
      key === 'reference' && typeof item === 'string' ? Object.entries(rewrite(item)) : [[key, withReferences(item, rewrite)]],
    ),
  );
}
