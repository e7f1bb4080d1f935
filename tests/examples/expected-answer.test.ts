import { expect, test } from 'vitest';
import { parseExactJson, type JsonValue } from '../../src/core/json.ts';
import { fillKnown, resolveExpected, type Bindings } from './expected-answer.ts';

const tree = (text: string): JsonValue => {
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new Error(parsed.problem.reason);
  return parsed.value;
};
const agrees = (expected: string, actual: string, bindings: Bindings = new Map([['${base}', 'http://127.0.0.1:1/fhir']])): boolean => {
  const given = tree(actual);
  try {
    expect(given).toEqual(resolveExpected(tree(expected), given, bindings));
    return true;
  } catch {
    return false;
  }
};

test.each([
  ['numbers are compared by their digits', '{"value":70.0}', '{"value":70}', false],
  ['and agree when they are written alike', '{"value":70.0}', '{"value":70.0}', true],
  ['the order of members says nothing', '{"a":1,"b":2}', '{"b":2,"a":1}', true],
  ['a member too many is a difference', '{"a":1}', '{"a":1,"b":2}', false],
  ['a member too few is a difference', '{"a":1,"b":"${id:1}"}', '{"a":1}', false],
  ['an item too many is a difference', '["${id:1}"]', '["x1","x2"]', false],
  ['one number of an id is one id', '["${id:1}","bmi-${id:1}"]', '["x1","bmi-x1"]', true],
  ['and no other', '["${id:1}","bmi-${id:1}"]', '["x1","bmi-x2"]', false],
  ['times are each their own', '["${instant}","${instant}"]', '["2026-03-02T10:00:00.000001Z","2026-03-02T10:00:00.000002Z"]', true],
  ['and are times', '"${instant}"', '"2026-03-02"', false],
  ['the base is the running one', '"${base}/Observation/${id:1}"', '"http://127.0.0.1:1/fhir/Observation/x1"', true],
  ['and no other host', '"${base}/Observation/${id:1}"', '"http://evil.example/fhir/Observation/x1"', false],
])('%s', (_, expected, actual, same) => {
  expect(agrees(expected, actual)).toBe(same);
});

test('a placeholder that nobody defined is an error', () => {
  expect(() => resolveExpected('${anything}', 'x', new Map())).toThrow('is no placeholder');
});

test('a later address names ids that are known by then', () => {
  expect(fillKnown('/fhir/Observation/${id:1}', new Map([['${id:1}', 'x1']]))).toBe('/fhir/Observation/x1');
  expect(() => fillKnown('/fhir/Observation/${id:2}', new Map())).toThrow('not known yet');
});
