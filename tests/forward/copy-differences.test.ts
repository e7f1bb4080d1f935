import { describe, expect, it } from 'vitest';
import { parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { differencesOf } from '../../src/forward/copy-differences.ts';

const TARE = '{"code":{"coding":[{"system":"urn:c","code":"tare"}]},"valueQuantity":{"value":12.50,"code":"kg"}}';
const CLOTHES = '{"code":{"text":"clothing"},"valueCodeableConcept":{"text":"gown"}}';
const SENT = `{"resourceType":"Observation","status":"final","subject":{"reference":"Patient/invented-1"},"effectiveDateTime":"2026-03-02T11:30:00+01:00","valueQuantity":{"value":70.0,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"},"component":[${TARE},${CLOTHES}]}`;

function tree(text: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new TypeError(parsed.problem.reason);
  return parsed.value as JsonObject;
}

/** What the copy differs in, when `from` was replaced by `to` in it; and in what was sent, when both are given. */
function differs(from: string, to: string, sent = SENT): readonly string[] {
  expect(sent).toContain(from);
  return differencesOf(tree(sent), tree(sent.replace(from, to)));
}

describe('a copy that tells it otherwise', () => {
  it.each([
    ['another value', '"value":70.0', '"value":70.1', ['value']],
    ['fewer digits of the same value, which is none', '"value":70.0', '"value":70', []],
    ['a value off by less than a binary number shows', '"value":70.0', '"value":70.00000000000000001', ['value']],
    ['a value as text that is none', '"value":70.0', '"value":"much"', ['value']],
    ['no value', '"value":70.0,', '', ['value']],
    ['no quantity', '"valueQuantity":{"value":70.0,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"},', '', ['value', 'unit']],
    [
      'another unit',
      '"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"',
      '"system":"http://unitsofmeasure.org","code":"[lb_av]"',
      ['unit'],
    ],
    ['a unit in words only', ',"system":"http://unitsofmeasure.org","code":"kg"', '', ['unit']],
    ['a comparator', '"value":70.0', '"value":70.0,"comparator":">"', ['unit']],
    ['another person', 'Patient/invented-1', 'Patient/invented-2', ['subject']],
    ['no person', '"subject":{"reference":"Patient/invented-1"},', '', ['subject']],
    ['another time', '11:30:00+01:00', '11:31:00+01:00', ['effective']],
    ['the same clock time elsewhere', '11:30:00+01:00', '11:30:00Z', ['effective']],
    ['a day only', '2026-03-02T11:30:00+01:00', '2026-03-02', ['effective']],
    ['a time that is none', '2026-03-02T11:30:00+01:00', 'around noon', ['effective']],
    ['another status', '"final"', '"entered-in-error"', ['status']],
    ['a component less', `${TARE},`, '', ['component']],
    ['no components', `,"component":[${TARE},${CLOTHES}]`, '', ['component']],
    ['a component of another value', '12.50', '12.0', ['component']],
    ['components that are no list', `[${TARE},${CLOTHES}]`, '{}', ['component']],
  ])('has %s', (_what, from, to, elements) => {
    expect(differs(from, to)).toEqual(elements);
  });
});

describe('a copy that says the same in other words', () => {
  it.each([
    ['the time in another zone', '11:30:00+01:00', '10:30:00Z'],
    ['a fraction of a second more', '11:30:00+01:00', '11:30:00.400+01:00'],
    ['an absolute reference', 'Patient/invented-1', 'https://ehr.example/fhir/Patient/invented-1'],
    ['a reference to a version', 'Patient/invented-1', 'Patient/invented-1/_history/3'],
    ['a name beside the reference', '"reference":"Patient/invented-1"', '"reference":"Patient/invented-1","display":"Somebody Invented"'],
    ['a component more', TARE, `${TARE},{"code":{"text":"added"}}`],
    ['components in another order', `${TARE},${CLOTHES}`, `${CLOTHES},${TARE}`],
    ['elements of its own', '"status"', '"issued":"2026-03-02T12:00:00Z","status"'],
  ])('has %s', (_what, from, to) => {
    expect(differs(from, to)).toEqual([]);
  });

  const logical = SENT.replace('{"reference":"Patient/invented-1"}', '{"identifier":{"system":"urn:mrn","value":"1"}}');
  it.each([
    ['a person found by the identifier', '{"identifier":{"system":"urn:mrn","value":"1"}}', '{"reference":"Patient/9"}', []],
    [
      'both',
      '{"identifier":{"system":"urn:mrn","value":"1"}}',
      '{"reference":"Patient/9","identifier":{"system":"urn:mrn","value":"1"}}',
      [],
    ],
    ['another identifier', '"value":"1"', '"value":"2"', ['subject']],
    ['neither', '{"identifier":{"system":"urn:mrn","value":"1"}}', '{"display":"Somebody"}', ['subject']],
  ])('for a person named by identifier: %s', (_what, from, to, elements) => {
    expect(differs(from, to, logical)).toEqual(elements);
  });

  const period = SENT.replace(
    '"effectiveDateTime":"2026-03-02T11:30:00+01:00"',
    '"effectivePeriod":{"start":"2026-03-02T08:00:00Z","end":"2026-03-02T08:01:00Z"}',
  );
  it('compares both ends of a period', () => {
    expect(differs('08:01:00Z', '09:01:00+01:00', period)).toEqual([]);
    expect(differs('08:01:00Z', '08:02:00Z', period)).toEqual(['effective']);
    expect(differs(',"end":"2026-03-02T08:01:00Z"', '', period)).toEqual(['effective']);
  });
});
