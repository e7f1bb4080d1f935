import { describe, expect, it } from 'vitest';
import { conformObservation, conformResource, jsonFinding } from '../../src/core/conform.ts';
import { explainFinding, refusalStatusOf } from '../../src/core/finding.ts';
import { parseExactJson, type JsonValue } from '../../src/core/json.ts';
import { arrived } from '../arrived.ts';
import { treeOf, weight } from '../measurements.ts';

const rulesOf = (parsed: JsonValue): string[] => {
  const result = conformObservation(parsed);
  return result.ok ? [] : [...new Set(result.findings.map(({ rule }) => rule.id))];
};

describe('an Observation', () => {
  it('that conforms comes back as it was, digits and all', () => {
    const { tree } = arrived(weight('70.50'));
    const result = conformObservation(tree);
    expect(result.ok && result.resource).toBe(tree);
  });

  it.each<[string, JsonValue, string]>([
    ['an element that R4 does not know', { ...treeOf(weight()), weight: '70' }, 'fhir-structure'],
    ['no status', treeOf(weight('70.0', 'kg', { status: undefined })), 'fhir-required'],
    ['a status of its own', treeOf(weight('70.0', 'kg', { status: 'done' })), 'fhir-code'],
    ['a date that is none', treeOf(weight('70.0', 'kg', { effectiveDateTime: 'today' })), 'fhir-value'],
    ['a time without an offset', treeOf(weight('70.0', 'kg', { effectiveDateTime: '2026-03-02T08:00:00' })), 'time-without-offset'],
    ['a value and a reason for having none', treeOf(weight('70.0', 'kg', { dataAbsentReason: { text: 'asleep' } })), 'fhir-invariant'],
  ])('with %s is refused by one rule', (_what, parsed, rule) => {
    expect(rulesOf(parsed)).toEqual([rule]);
  });

  it.each<JsonValue>([null, 'Observation', [], true, {}, { resourceType: 'Patient' }, { resourceType: null }])('is not %j', (parsed) => {
    const result = conformObservation(parsed);
    expect(result).toMatchObject({ ok: false, findings: [{ rule: { id: 'fhir-structure' }, expression: 'Observation' }] });
    expect(!result.ok && explainFinding(result.findings[0]!)).toBe(
      'This is not valid FHIR R4: a resource of type Observation was expected here, named in resourceType. Correct the element and send again.',
    );
  });

  it('answers 400 for structure and 422 for a constraint', () => {
    const statusOf = (parsed: JsonValue): number => {
      const result = conformObservation(parsed);
      return result.ok ? 200 : refusalStatusOf(result.findings);
    };
    expect(statusOf(treeOf(weight('70.0', 'kg', { status: undefined })))).toBe(400);
    expect(statusOf(treeOf(weight('70.0', 'kg', { dataAbsentReason: { text: 'asleep' } })))).toBe(422);
  });
});

describe('other types', () => {
  it('are checked as what they are', () => {
    expect(conformResource({ resourceType: 'Patient', birthDate: '1980-05-17' }, 'Patient').ok).toBe(true);
    expect(conformResource({ resourceType: 'Patient', birthDate: 'yesterday' }, 'Patient').ok).toBe(false);
  });
});

describe('a text that is no JSON', () => {
  it.each([
    [
      '{"a":1,"a":2}',
      'json-unreadable',
      'Line 1, column 8: a member name appears twice in one object. Send one well-formed FHIR JSON resource in UTF-8.',
    ],
    [
      '\n[1e400]',
      'json-number',
      'Line 2, column 2: a number has more than 40 characters or an exponent beyond 30. Send the number as the device showed it.',
    ],
  ])('%j is told with its place', (text, rule, sentence) => {
    const result = parseExactJson(text);
    if (result.ok) throw new Error('it should not be read');
    const found = jsonFinding(result.problem);
    expect(found.rule.id).toBe(rule);
    expect(explainFinding(found)).toBe(sentence);
  });
});
