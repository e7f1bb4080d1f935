/**
 * Compares an answer with the one that an example writes down. Everything is compared exactly,
 * numbers by their written digits, except for what only the service can know; there the example
 * has a placeholder:
 *
 * - `${id:1}`, `${id:2}` …: an id that the service gave; the same number is the same id everywhere
 * - `${instant}`: a time that the service stamped
 * - `${policy}`: the version of the policy in force
 * - `${base}`: the FHIR base of the running service
 */
import { isJsonObject, type JsonValue } from '../../src/core/json.ts';

const PATTERNS: readonly (readonly [placeholder: RegExp, shape: string])[] = [
  [/^\$\{id:\d+\}$/, '[A-Za-z0-9][A-Za-z0-9.-]{0,63}'],
  [/^\$\{instant\}$/, '\\d{4}-\\d\\d-\\d\\dT\\d\\d:\\d\\d:\\d\\d(?:\\.\\d+)?(?:Z|[+-]\\d\\d:\\d\\d)'],
  [/^\$\{policy\}$/, '[A-Za-z0-9.-]+'],
];

/** What the placeholders of one example stand for, so far. */
export type Bindings = Map<string, string>;

/** Fills placeholders that are known; used for the address of a later call. */
export function fillKnown(text: string, bindings: Bindings): string {
  return text.replace(/\$\{[^}]+\}/g, (placeholder) => {
    const value = bindings.get(placeholder);
    if (value === undefined) throw new Error(`${placeholder} is not known yet`);
    return value;
  });
}

/**
 * The expected value with its placeholders replaced by what the actual one has in their place,
 * wherever that fits; where it does not, the placeholder stays and the comparison fails there.
 */
export function resolveExpected(expected: JsonValue, actual: unknown, bindings: Bindings): JsonValue {
  if (typeof expected === 'string') return typeof actual === 'string' ? resolveText(expected, actual, bindings) : expected;
  if (Array.isArray(expected)) {
    return expected.map((item, index) => resolveExpected(item, Array.isArray(actual) ? actual[index] : undefined, bindings));
  }
  if (!isJsonObject(expected)) return expected;
  return Object.fromEntries(
    Object.entries(expected).map(([key, item]) => [key, resolveExpected(item, isJsonObject(actual) ? actual[key] : undefined, bindings)]),
  );
}

function resolveText(expected: string, actual: string, bindings: Bindings): string {
  const fresh: string[] = [];
  const pattern = expected
    .split(/(\$\{[^}]+\})/)
    .map((part) => {
      if (!part.startsWith('${')) return escaped(part);
      const known = bindings.get(part);
      if (known !== undefined) return escaped(known);
      const shape = PATTERNS.find(([placeholder]) => placeholder.test(part))?.[1];
      if (shape === undefined) throw new Error(`${part} is no placeholder that examples have`);
      fresh.push(part);
      return `(${shape})`;
    })
    .join('');
  const match = new RegExp(`^${pattern}$`).exec(actual);
  if (match === null) return expected;
  fresh.forEach((placeholder, index) => {
    // every stamped time is one of its own; an id or a policy is the same wherever it is named
    if (placeholder !== '${instant}') bindings.set(placeholder, match[index + 1] ?? '');
  });
  return actual;
}

function escaped(text: string): string {
  return text.replace(/[.*+?^${}()|[\]\\]/g, '\\$&');
}
