/** Resources as they come from the socket: JSON text, and its exact tree. */
import { parseExactJson, stringifyExact, type JsonObject } from '../src/core/json.ts';

export function arrived(resource: object): { readonly tree: JsonObject; readonly text: string } {
  const text = stringifyExact(resource);
  return { text, tree: parsed(text) };
}

/** The exact tree of a JSON text; throws when it is not acceptable. */
export function parsed(text: string): JsonObject {
  const result = parseExactJson(text);
  if (!result.ok) throw new Error(result.problem.reason);
  return result.value as JsonObject;
}
