/**
 * By what the EHR tells one of our resources from all others: a business identifier of ours.
 *
 * An Observation carries it as `identifier`. R4 Provenance has no such element, so
 * there it is a `meta.tag`, found by `_tag` (FHIR R4, Search, parameters for all resources).
 * Both are opaque: no patient data.
 */
import { createHash } from 'node:crypto';
import { isJsonObject, type JsonObject, type JsonValue } from '../core/json.ts';
import { OURS } from '../core/terminology.ts';
import type { EhrCopy } from '../ports.ts';

export type ForwardedType = EhrCopy['type'];

export interface Identity {
  readonly type: ForwardedType;
  readonly system: string;
  readonly value: string;
}

const SYSTEM_OF: Readonly<Record<ForwardedType, string>> = {
  Observation: OURS.observationIdentifier,
  Provenance: OURS.provenanceTag,
};

const FORMER = 'old';

const SEARCH_PARAMETER: Readonly<Record<ForwardedType, string>> = { Observation: 'identifier', Provenance: '_tag' };

/** The value of our own identifier in a resource (ours, or the EHR's copy of it), if it has one. */
export function identityValueIn(type: ForwardedType, content: JsonObject): string | undefined {
  return identityValuesIn(type, content)[0];
}

/** That value, and behind it those that the resource had before, see `withFormerIdentities`. */
export function identityValuesIn(type: ForwardedType, content: JsonObject): readonly string[] {
  const member = type === 'Observation' ? 'value' : 'code';
  const own = carriersOf(type, content).filter(isJsonObject);
  return own
    .filter(({ system }) => system === SYSTEM_OF[type])
    .toSorted((one, other) => Number(one['use'] === FORMER) - Number(other['use'] === FORMER))
    .flatMap(({ [member]: value }) => (typeof value === 'string' ? [value] : []));
}

/**
 * An Observation that goes over a copy which has other identifiers of ours, since the id was given
 * anew after a restore: it keeps them, as `old` (FHIR R4, Identifier.use). By them the figures of a
 * reading that were sent before are found, and nobody loses what was noted down.
 */
export function withFormerIdentities(content: JsonObject, copy: JsonObject): JsonObject {
  const kept = identityValuesIn('Observation', content);
  const former = identityValuesIn('Observation', copy).filter((value) => !kept.includes(value));
  if (former.length === 0) return content;
  const old = former.map((value) => ({ use: FORMER, system: SYSTEM_OF.Observation, value }));
  return { ...content, identifier: [...carriersOf('Observation', content), ...old] };
}

/** The identity of a stored resource: the identifier that it carries, else our own id. */
export function identityOf(type: ForwardedType, id: string, content: JsonObject): Identity {
  return { type, system: SYSTEM_OF[type], value: identityValueIn(type, content) ?? id };
}

/** The resource with its identity written in; unchanged when it is there already. */
export function withIdentity(content: JsonObject, identity: Identity): JsonObject {
  if (identityValueIn(identity.type, content) !== undefined) return content;
  const { type, system, value } = identity;
  if (type === 'Observation') return { ...content, identifier: [...carriersOf(type, content), { system, value }] };
  const meta = isJsonObject(content['meta']) ? content['meta'] : {};
  return { ...content, meta: { ...meta, tag: [...carriersOf(type, content), { system, code: value }] } };
}

function carriersOf(type: ForwardedType, content: JsonObject): JsonValue[] {
  const holder = type === 'Observation' ? content : content['meta'];
  const list = isJsonObject(holder) ? holder[type === 'Observation' ? 'identifier' : 'tag'] : undefined;
  return Array.isArray(list) ? list : [];
}

/**
 * The search that finds the EHR's copies of these, one or several of one type: percent-encoded,
 * without the question mark, as `ifNoneExist`, a conditional update and a look-up need it.
 */
export function searchFor(identities: readonly [Identity, ...Identity[]]): string {
  const tokens = identities.map(({ system, value }) => encodeURIComponent(`${escapeToken(system)}|${escapeToken(value)}`));
  return `${SEARCH_PARAMETER[identities[0].type]}=${tokens.join(',')}`;
}

/** FHIR R4, Search, "Escaping Search Parameters". */
export function escapeToken(text: string): string {
  return text.replaceAll(/[\\$,|]/g, (character) => `\\${character}`);
}

const UUID = /^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$/i;

/**
 * The `fullUrl` of a resource inside a Bundle: the same for the same resource in every attempt.
 * An id that is a UUID is used as it is; any other is hashed into one of the shape of version 5
 * (RFC 9562 section 5.5, with SHA-256 cut to length in place of SHA-1).
 */
export function fullUrlOf(type: ForwardedType, id: string): string {
  if (UUID.test(id)) return `urn:uuid:${id.toLowerCase()}`;
  const hash = createHash('sha256').update(`${type}/${id}`).digest('hex');
  const variant = ((Number.parseInt(hash.charAt(16), 16) & 0x3) | 0x8).toString(16);
  return `urn:uuid:${hash.slice(0, 8)}-${hash.slice(8, 12)}-5${hash.slice(13, 16)}-${variant}${hash.slice(17, 20)}-${hash.slice(20, 32)}`;
}
