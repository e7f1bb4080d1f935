import { describe, expect, it } from 'vitest';
import { parseExactJson, type JsonValue } from '../../src/core/json.ts';
import { prettyJson } from '../../src/core/pretty-json.ts';

function tree(text: string): JsonValue {
  const result = parseExactJson(text);
  if (!result.ok) throw new Error(result.problem.reason);
  return result.value;
}

describe('JSON for people', () => {
  it.each([
    ['an object that fits stays on its line', '{"a":1,"b":[true,null]}', 30, '{ "a": 1, "b": [true, null] }'],
    ['one that does not has a line a member', '{"a":1,"b":[true,null]}', 20, '{\n  "a": 1,\n  "b": [true, null]\n}'],
    ['so does a list', '[{"a":1},{"b":2}]', 20, '[\n  { "a": 1 },\n  { "b": 2 }\n]'],
    ['what is empty is written so', '{"a":[],"b":{}}', 3, '{\n  "a": [],\n  "b": {}\n}'],
    ['a text is never broken', '{"a":"much too long a text"}', 10, '{\n  "a": "much too long a text"\n}'],
    ['a value alone is itself', '"a"', 1, '"a"'],
    ['a quotation mark in a name is escaped', '{"\\"":1}', 1, '{\n  "\\"": 1\n}'],
  ])('%s', (_what, text, columns, expected) => {
    expect(prettyJson(tree(text), columns)).toBe(expected);
  });

  it('fills a line to its last column, the comma after it included', () => {
    const text = '{"outer":{"inner":[10,20]},"next":1}';
    expect(prettyJson(tree(text), 33)).toBe('{\n  "outer": { "inner": [10, 20] },\n  "next": 1\n}');
    expect(prettyJson(tree(text), 32)).toBe('{\n  "outer": {\n    "inner": [10, 20]\n  },\n  "next": 1\n}');
  });

  it('keeps every written digit, and every member in its place', () => {
    const text = '{"z":70.0,"a":[70.09999999999999999,0.10,-0.0],"n":100}';
    for (const columns of [1, 20, 200]) expect(prettyJson(tree(text), columns).replaceAll(/\s/g, '')).toBe(text);
  });
});
