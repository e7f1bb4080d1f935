/** JSON for people to read: what fits on a line stays on it, and every number keeps its digits. */
import { isJsonObject, stringifyExact, type JsonValue } from './json.ts';

const INDENT = '  ';

/**
 * The tree with two blanks a level. An object or list stays on one line when that line has at most
 * `columns` characters.
 */
export function prettyJson(value: JsonValue, columns = 140): string {
  return lay(value, { columns, indent: '', taken: 0 });
}

interface Place {
  readonly columns: number;
  readonly indent: string;
  /** Characters that stand beside the value on its line, the indent not counted. */
  readonly taken: number;
}

function lay(value: JsonValue, { columns, indent, taken }: Place): string {
  const line = inline(value);
  const parts = partsOf(value);
  if (parts.length === 0 || indent.length + taken + line.length <= columns) return line;
  const deeper = indent + INDENT;
  const lines = parts.map(({ head, item }) => `${deeper}${head}${lay(item, { columns, indent: deeper, taken: head.length + 1 })}`);
  const [open, close] = Array.isArray(value) ? ['[', ']'] : ['{', '}'];
  return `${open}\n${lines.join(',\n')}\n${indent}${close}`;
}

function inline(value: JsonValue): string {
  const parts = partsOf(value).map(({ head, item }) => head + inline(item));
  if (parts.length === 0) return stringifyExact(value);
  return Array.isArray(value) ? `[${parts.join(', ')}]` : `{ ${parts.join(', ')} }`;
}

/** Items of a list, members of an object with their names; nothing of anything else. */
function partsOf(value: JsonValue): { readonly head: string; readonly item: JsonValue }[] {
  if (Array.isArray(value)) return value.map((item) => ({ head: '', item }));
  return isJsonObject(value) ? Object.entries(value).map(([name, item]) => ({ head: `${JSON.stringify(name)}: `, item })) : [];
}
