/** Stored resources as exact trees. */
import { parseExactJson, type JsonObject } from '../core/json.ts';
import type { StoredResource } from '../ports.ts';

/** What we stored ourselves is readable, or the store is broken. */
export function treeOf({ text, type, id }: StoredResource): JsonObject {
  const result = parseExactJson(text);
  if (!result.ok) throw new Error(`${type}/${id} is stored in an unreadable form`);
  return result.value as JsonObject;
}
