/**
 * JSON in and out without losing a written digit.
 *
 * `JSON.parse` turns 70.0 into 70 and 70.09999999999999999 into 70.1; FHIR R4 (Datatypes,
 * decimal; JSON format, "decimal" note) asks that the written precision survive. So every number
 * stays a `LosslessNumber` with its own digits, from the request to the store and back out.
 * What a parser should refuse and `JSON.parse` does not (duplicate keys, `__proto__`, deep
 * nesting, lone surrogates, control characters) is refused here, with line and column.
 */
import { visit, type ParseErrorCode } from 'jsonc-parser';
import { LosslessNumber, isLosslessNumber, stringify } from 'lossless-json';
import { LARGEST_EXPONENT, LONGEST_LITERAL, parseDecimal, toText } from './decimal.ts';

export type JsonValue = string | boolean | null | LosslessNumber | JsonValue[] | JsonObject;
export interface JsonObject {
  [key: string]: JsonValue;
}

/** A FHIR wire type whose numbers kept their written digits. */
export type Exact<T> = T extends number
  ? LosslessNumber
  : T extends string | boolean | null | undefined
    ? T
    : T extends readonly (infer Item)[]
      ? Exact<Item>[]
      : { [Key in keyof T]: Exact<T[Key]> };

/** Why a text is not acceptable JSON. `line` and `column` count from 1. Never quotes the text. */
export interface JsonProblem {
  readonly reason: string;
  readonly kind: 'syntax' | 'duplicate-key' | 'forbidden-key' | 'too-deep' | 'too-many' | 'number' | 'text';
  readonly line: number;
  readonly column: number;
}

export type JsonResult = { readonly ok: true; readonly value: JsonValue } | { readonly ok: false; readonly problem: JsonProblem };

/** R4 resources nest to about a dozen levels; a Bundle adds three. */
const DEEPEST_NESTING = 64;
/** The widest R4 element has some sixty members, and as many again for what is said about them. */
const MOST_MEMBERS = 1_000;
/** A Bundle may have 1000 entries; what has more than that is refused by whoever counts them. */
const MOST_ITEMS = 5_000;

/** FHIR R4, Datatypes, string: no characters below U+0020 but tab, carriage return, line feed. */

const CONTROL_CHARACTER = /[\u0000-\u0008\u000B\u000C\u000E-\u001F]/;

const LONE_SURROGATE = /\p{Surrogate}/u;

class Refusal extends Error {
  readonly problem: JsonProblem;
  constructor(problem: JsonProblem) {
    super(problem.reason);
    this.problem = problem;
  }
}

/**
 * Reads one JSON text (RFC 8259, stricter as described above). A legal exponent form becomes
 * plain digits of equal value and precision; all other literals keep their characters.
 */
export function parseExactJson(text: string): JsonResult {
  try {
    return { ok: true, value: build(text) };
  } catch (error) {
    if (error instanceof Refusal) return { ok: false, problem: error.problem };
    throw error;
  }
}

function build(text: string): JsonValue {
  const open: (JsonValue[] | JsonObject)[] = [];
  const keys: string[] = [];
  // of each open list or object, how many members were named in it
  const counts: number[] = [];
  let root: JsonValue | undefined;

  const refuse = (kind: JsonProblem['kind'], reason: string, line: number, column: number): never => {
    throw new Refusal({ kind, reason, line: line + 1, column: column + 1 });
  };
  const checkText = (value: string, line: number, column: number): string => {
    if (CONTROL_CHARACTER.test(value)) refuse('text', 'a text holds a control character', line, column);
    if (LONE_SURROGATE.test(value)) refuse('text', 'a text holds half of a surrogate pair', line, column);
    return value;
  };
  const put = (value: JsonValue, line: number, column: number): void => {
    const parent = open.at(-1);
    if (parent === undefined) {
      if (root !== undefined) refuse('syntax', 'there is more than one JSON value', line, column);
      root = value;
    } else if (Array.isArray(parent)) {
      if (parent.length >= MOST_ITEMS) refuse('too-many', `a list has more than ${MOST_ITEMS} items`, line, column);
      parent.push(value);
    } else parent[keys.pop() as string] = value;
  };
  const enter = (value: JsonValue[] | JsonObject, line: number, column: number): void => {
    if (open.length >= DEEPEST_NESTING) refuse('too-deep', `it nests deeper than ${DEEPEST_NESTING} levels`, line, column);
    put(value, line, column);
    open.push(value);
    counts.push(0);
  };
  const leave = (): void => {
    open.pop();
    counts.pop();
  };
  const countMember = (line: number, column: number): void => {
    const count = (counts.pop() ?? 0) + 1;
    counts.push(count);
    if (count > MOST_MEMBERS) refuse('too-many', `an object has more than ${MOST_MEMBERS} members`, line, column);
  };

  visit(
    text,
    {
      onObjectBegin: (_offset, _length, line, column) => enter({}, line, column),
      onArrayBegin: (_offset, _length, line, column) => enter([], line, column),
      onObjectEnd: leave,
      onArrayEnd: leave,
      onObjectProperty: (key, _offset, _length, line, column) => {
        if (key === '__proto__') refuse('forbidden-key', 'the member name __proto__ is not allowed', line, column);
        if (Object.hasOwn(open.at(-1) as JsonObject, key))
          refuse('duplicate-key', 'a member name appears twice in one object', line, column);
        countMember(line, column);
        keys.push(checkText(key, line, column));
      },
      onLiteralValue: (value: unknown, offset, length, line, column) => {
        if (typeof value === 'number') {
          const literal = plainDigits(text.slice(offset, offset + length));
          if (literal === undefined)
            refuse(
              'number',
              `a number has more than ${LONGEST_LITERAL} characters or an exponent beyond ${LARGEST_EXPONENT}`,
              line,
              column,
            );
          else put(new LosslessNumber(literal), line, column);
        } else if (typeof value === 'string') put(checkText(value, line, column), line, column);
        else put(value as boolean | null, line, column);
      },
      // every comment is refused here, since a reason of its own says more than "not well-formed"
      onComment: (_offset, _length, line, column) => refuse('syntax', 'comments are not JSON', line, column),
      // jsonc-parser repairs what it can; here every repair is a refusal
      onError: (_error: ParseErrorCode, _offset, _length, line, column) => refuse('syntax', 'this is not well-formed JSON', line, column),
    },
    { disallowComments: false, allowTrailingComma: false, allowEmptyContent: false },
  );
  if (root === undefined) return refuse('syntax', 'there is no JSON value', 0, 0);
  return root;
}

function plainDigits(literal: string): string | undefined {
  const value = parseDecimal(literal);
  if (value === undefined) return undefined;
  const plain = /[eE]/.test(literal) ? toText(value) : literal;
  // what is written out must be readable again
  return plain.length > LONGEST_LITERAL ? undefined : plain;
}

/** Writes a tree back as compact JSON, every number with the digits it came with. */
export function stringifyExact(value: JsonValue | object): string {
  const text = stringify(value);
  if (text === undefined) throw new TypeError('nothing to write');
  return text;
}

/**
 * A copy with ordinary JavaScript numbers, for libraries that need them (schema, FHIRPath).
 * Never written anywhere: the digits are gone.
 */
export function toPlain(value: unknown): unknown {
  if (isLosslessNumber(value)) return Number(value.value);
  if (Array.isArray(value)) return value.map(toPlain);
  if (value !== null && typeof value === 'object') {
    return Object.fromEntries(Object.entries(value).map(([key, item]) => [key, toPlain(item)]));
  }
  return value;
}

/** Equal in every member and digit; the order of members does not count. */
export function isEqualJson(a: JsonValue | undefined, b: JsonValue | undefined): boolean {
  if (isLosslessNumber(a) && isLosslessNumber(b)) return a.value === b.value;
  if (Array.isArray(a) && Array.isArray(b)) return a.length === b.length && a.every((item, index) => isEqualJson(item, b[index]));
  if (!isJsonObject(a) || !isJsonObject(b)) return a === b;
  const keys = Object.keys(a);
  return keys.length === Object.keys(b).length && keys.every((key) => Object.hasOwn(b, key) && isEqualJson(a[key], b[key]));
}

/** A number for an outgoing resource, from its digits. */
export function exactNumber(digits: string | number): LosslessNumber {
  return new LosslessNumber(String(digits));
}

export function isJsonObject(value: unknown): value is JsonObject {
  return value !== null && typeof value === 'object' && !Array.isArray(value) && !isLosslessNumber(value);
}
