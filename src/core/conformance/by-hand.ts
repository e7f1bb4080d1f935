/** Constraints that are judged in code: see `Constraint.byHand` for why, and the tests for the comparison with FHIRPath. */
import type { Scope, Wire } from './constraint.ts';
import { walkElements } from './element-walk.ts';

export function scopeOf(resource: Wire): Scope {
  const contained = listOf(resource['contained']);
  const containedIds = new Set(contained.flatMap(({ id }) => (typeof id === 'string' ? [id] : [])));
  return { resource, containedIds, fragments: contained.length > 0 ? fragmentsIn(resource) : new Set() };
}

/** References, URIs, URLs and canonicals are what can point at a contained resource (dom-3). */
const POINTING = new Set(['uri', 'url', 'canonical']);

function fragmentsIn(resource: Wire): Set<string> {
  const found = new Set<string>();
  walkElements(resource, ({ type, value }) => {
    const text = type === 'Reference' ? (value as Wire)['reference'] : POINTING.has(type) ? value : undefined;
    if (typeof text === 'string' && text.startsWith('#')) found.add(text);
    return true;
  });
  return found;
}

/** dom-3: the contained resources that nothing points at and that do not point at their container. */
export function unreferencedContained({ contained }: Wire, { fragments }: Scope): string[] {
  return listOf(contained).flatMap((resource, index) => {
    const { id } = resource;
    if (typeof id === 'string' && fragments.has(`#${id}`)) return [];
    return fragmentsIn(resource).has('#') ? [] : [`contained[${index}]`];
  });
}

/** ref-1: a reference into the resource that leads nowhere. `#` alone is the container. */
export function danglingReference({ reference }: Wire, { containedIds }: Scope): string[] {
  if (typeof reference !== 'string' || !reference.startsWith('#') || reference === '#') return [];
  return containedIds.has(reference.slice(1)) ? [] : ['reference'];
}

/**
 * obs-7: components that have the Observation's own code beside its value. Codes are the same by
 * system and code; display, version and userSelected make no other code of it.
 */
export function repeatedCode(observation: Wire): string[] {
  if (!hasChoice(observation, 'value')) return [];
  const own = new Set(codingsOf(observation['code']));
  return listOf(observation['component']).flatMap(({ code }, index) =>
    codingsOf(code).some((coding) => own.has(coding)) ? [`component[${index}].code`] : [],
  );
}

function codingsOf(concept: unknown): string[] {
  return listOf((concept as Wire | undefined)?.['coding']).map((coding) => {
    const { system, code } = coding;
    return JSON.stringify(code === undefined ? coding : [system, code]);
  });
}

/** bdl-7: entries with the fullUrl, and where there is one the versionId, of an earlier entry. */
export function repeatedFullUrl({ type, entry }: Wire): string[] {
  if (type === 'history') return [];
  const seen = new Set<string>();
  return listOf(entry).flatMap(({ fullUrl, resource }, index) => {
    if (typeof fullUrl !== 'string') return [];
    const meta = (resource as Wire | undefined)?.['meta'] as Wire | undefined;
    const versionId = meta?.['versionId'];
    const key = typeof versionId === 'string' ? fullUrl + versionId : fullUrl;
    const isRepeated = seen.has(key);
    seen.add(key);
    return isRepeated ? [`entry[${index}].fullUrl`] : [];
  });
}

/** Is any type of a choice element there (`valueQuantity`, `_valueString`)? */
export function hasChoice(element: Wire, base: string): boolean {
  for (const key of Object.keys(element)) {
    const name = key.startsWith('_') ? key.slice(1) : key;
    if (name.startsWith(base) && /^[A-Z]/.test(name.slice(base.length))) return true;
  }
  return false;
}

export function listOf(value: unknown): readonly Wire[] {
  return Array.isArray(value) ? value.filter((item): item is Wire => item !== null && typeof item === 'object') : [];
}
