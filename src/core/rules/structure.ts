/**
 * Rules that the reading stages raise before anything can be judged: the JSON reader, the R4
 * structure check and the FHIRPath invariants. They carry passports only; what fires them lives
 * in `json.ts` and `conformance/`.
 */
import type { Rule } from './rule.ts';

const R4 = 'HL7 FHIR R4 (4.0.1)';

export const jsonUnreadable: Rule = {
  id: 'json-unreadable',
  title: 'The body is not acceptable JSON',
  family: 'structure',
  outcome: 'refuse',
  movable: false,
  code: 'structure',
  expression: 'http.body',
  source: `RFC 8259; ${R4}, JSON Representation of Resources`,
  explain: 'Line {line}, column {column}: {reason}. Send one well-formed FHIR JSON resource in UTF-8.',
  refusalStatus: 400,
};

export const jsonNumber: Rule = {
  ...jsonUnreadable,
  id: 'json-number',
  title: 'A number is too long to be a reading',
  code: 'value',
  source: `${R4}, Datatypes, decimal; limits of 40 characters and exponent 30: common practice, no source`,
  explain: 'Line {line}, column {column}: {reason}. Send the number as the device showed it.',
};

export const fhirStructure: Rule = {
  id: 'fhir-structure',
  title: 'Not a FHIR R4 resource',
  family: 'structure',
  outcome: 'refuse',
  movable: false,
  code: 'structure',
  expression: 'Observation',
  source: `${R4}, JSON Schema and JSON Representation of Resources`,
  explain: 'This is not valid FHIR R4: {problem}. Correct the element and send again.',
  refusalStatus: 400,
};

export const fhirRequired: Rule = {
  ...fhirStructure,
  id: 'fhir-required',
  title: 'A required element is missing',
  code: 'required',
  source: `${R4}, Observation, cardinalities`,
};

export const fhirValue: Rule = {
  ...fhirStructure,
  id: 'fhir-value',
  title: 'An element has an impossible value',
  code: 'value',
  source: `${R4}, Datatypes, primitive types`,
};

export const fhirCode: Rule = {
  ...fhirStructure,
  id: 'fhir-code',
  title: 'A code is not in its required value set',
  code: 'code-invalid',
  source: `${R4}, Observation, required bindings`,
};

export const timeWithoutOffset: Rule = {
  id: 'time-without-offset',
  title: 'Time without an offset from UTC',
  family: 'time',
  outcome: 'refuse',
  movable: false,
  code: 'value',
  expression: 'Observation.effective',
  source: `${R4}, Datatypes, dateTime: a time needs a zone`,
  explain: 'The time has no offset from UTC, so it could be any of 26 hours. Send it with one, for example +01:00 or Z.',
};

export const fhirInvariant: Rule = {
  id: 'fhir-invariant',
  title: 'A FHIR constraint does not hold',
  family: 'structure',
  outcome: 'refuse',
  movable: false,
  code: 'invariant',
  expression: 'Observation',
  source: `${R4}, constraints of the resource, its data types and the vital-signs profiles`,
  explain: 'The constraint {key} does not hold: {problem}. Correct the element and send again.',
};

export const STRUCTURE_RULES: readonly Rule[] = [
  jsonUnreadable,
  jsonNumber,
  fhirStructure,
  fhirRequired,
  fhirValue,
  fhirCode,
  timeWithoutOffset,
  fhirInvariant,
];
