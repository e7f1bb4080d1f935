/** Where references point: to a resource by id, by identifier, into the resource itself, or nowhere. */
import type * as fhir4 from 'fhir/r4.js';
import { identifierTokens } from './facts.ts';
import type { Exact } from './json.ts';
import type { ExactObservation } from './observation.ts';
import { OURS } from './terminology.ts';

/** How a reference points, as far as text can tell. Absolute ones to a known base are literal. */
export type Pointer =
  | { readonly kind: 'literal'; readonly type: string; readonly id: string }
  | { readonly kind: 'logical'; readonly system: string; readonly value: string }
  | { readonly kind: 'contained'; readonly fragment: string }
  | { readonly kind: 'conditional' | 'elsewhere' | 'unresolved' | 'display-only' | 'missing' };

const LITERAL = /^([A-Z][A-Za-z]{1,40})\/([A-Za-z0-9\-.]{1,64})(?:\/_history\/[A-Za-z0-9\-.]{1,64})?$/;

/**
 * @param knownBases FHIR bases whose absolute URLs are stripped to `Type/id`; any other absolute
 *   reference is "elsewhere" and never followed
 */
export function pointerOf(reference: Exact<fhir4.Reference> | undefined, knownBases: readonly string[]): Pointer {
  if (reference === undefined) return { kind: 'missing' };
  const { reference: text, identifier } = reference;
  if (text !== undefined) {
    const base = knownBases.find((known) => text.startsWith(`${known}/`));
    const relative = base === undefined ? text : text.slice(base.length + 1);
    const [, type, id] = LITERAL.exec(relative) ?? [];
    if (type !== undefined && id !== undefined) return { kind: 'literal', type, id };
    if (text.startsWith('#')) return { kind: 'contained', fragment: text.slice(1) };
    if (/^urn:(uuid|oid):/.test(text)) return { kind: 'unresolved' };
    return { kind: /^[A-Z][A-Za-z]{1,40}\?/.test(text) ? 'conditional' : 'elsewhere' };
  }
  if (identifier?.system !== undefined && identifier.value !== undefined) {
    return { kind: 'logical', system: identifier.system, value: identifier.value };
  }
  return { kind: 'display-only' };
}

/** The key of a person or device that a pointer names: `Patient/{id}` or `identifier:{system}|{value}`. */
export function keyOf(pointer: Pointer): string | undefined {
  if (pointer.kind === 'literal') return `${pointer.type}/${pointer.id}`;
  return pointer.kind === 'logical' ? logicalKey(pointer) : undefined;
}

export function logicalKey({ system, value }: { readonly system: string; readonly value: string }): string {
  return `identifier:${system}|${value}`;
}

/** The pointer behind a key of `keyOf`; undefined for what is none. */
export function pointerOfKey(key: string): Extract<Pointer, { readonly kind: 'literal' | 'logical' }> | undefined {
  const [, system, value] = /^identifier:([^|]*)\|(.+)$/s.exec(key) ?? [];
  if (system !== undefined && value !== undefined) return { kind: 'logical', system, value };
  const [, type, id] = LITERAL.exec(key) ?? [];
  return type !== undefined && id !== undefined ? { kind: 'literal', type, id } : undefined;
}

/** The keys under which others may refer to a resource by identifier. */
export function logicalKeysOf(resource: Parameters<typeof identifierTokens>[0]): string[] {
  return identifierTokens(resource).flatMap(({ system, value }) => (system === undefined ? [] : [logicalKey({ system, value })]));
}

/** Stands for a chair that is named by a reference which leads nowhere. */
export const UNRESOLVED = 'unresolved';

/** The chairs, cushions, slings and linen that a reading names, on itself or on its tare component. */
export function tarePointers(observation: ExactObservation, knownBases: readonly string[]): Pointer[] {
  const holders = [observation, ...(observation.component ?? [])];
  return holders.flatMap(({ extension = [] }) =>
    extension.flatMap(({ url, valueReference }) => (url === OURS.tareDeviceExtension ? [pointerOf(valueReference, knownBases)] : [])),
  );
}

/** The measuring device: a reference, or a contained Device known by its first identifier. */
export function devicePointer(observation: ExactObservation, knownBases: readonly string[]): Pointer {
  const pointer = pointerOf(observation.device, knownBases);
  if (pointer.kind !== 'contained') return pointer;
  const device = observation.contained?.find((item) => (item as { id?: string }).id === pointer.fragment);
  if (device?.resourceType !== 'Device') return pointer;
  const identifier = (device as Exact<fhir4.Device>).identifier?.find(({ system, value }) => system !== undefined && value !== undefined);
  return identifier ? { kind: 'logical', system: identifier.system as string, value: identifier.value as string } : pointer;
}
