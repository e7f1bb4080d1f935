/** Local references of a Bundle: `urn:uuid:` addresses that entries give each other. Pure. */
import { isLosslessNumber } from 'lossless-json';
import type { JsonObject, JsonValue } from './json.ts';

/**
 * A copy in which every `reference` that equals a known full URL points to the resource that
 * got its place (HL7 FHIR R4 4.0.1, RESTful API, transaction: replacing temporary identities).
 */
export function withResolvedReferences<Tree extends JsonValue>(tree: Tree, places: ReadonlyMap<string, string>): Tree {
  if (places.size === 0) return tree;
  return resolve(tree, places) as Tree;
}

function resolve(tree: JsonValue, places: ReadonlyMap<string, string>): JsonValue {
  if (Array.isArray(tree)) return tree.map((item) => resolve(item, places));
  if (tree === null || typeof tree !== 'object' || isLosslessNumber(tree)) return tree;
  const copy: JsonObject = {};
  for (const [key, value] of Object.entries(tree)) {
    copy[key] = key === 'reference' && typeof value === 'string' ? (places.get(value) ?? value) : resolve(value, places);
  }
  return copy;
}

/** The condition of a `Patient?identifier=system|value` reference in a subject, if it is one. */
export function conditionalSubject(resource: JsonObject): string | undefined {
  const subject = resource['subject'];
  const reference =
    subject !== null && typeof subject === 'object' && !Array.isArray(subject) ? (subject as JsonObject)['reference'] : undefined;
  return typeof reference === 'string' && reference.startsWith('Patient?') ? reference.slice('Patient?'.length) : undefined;
}
