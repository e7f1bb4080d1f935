/**
 * What to say of faults of structure, quoting nothing that was sent. Each is a clause that goes on
 * after a colon: no capital, no full stop.
 */
import { isCalendarDate } from '../fhir-time.ts';
import { isElementName } from './element-path.ts';
import { PATTERN_TYPES, type SchemaError } from './generated/r4-structure.js';

/** Spelt as R4's IssueType codes. */
export type FaultKind = 'structure' | 'value' | 'required' | 'code-invalid';

export interface DescribedError {
  readonly kind: FaultKind;
  readonly problem: string;
  /** The property below the place of the error that it is about. */
  readonly child?: string;
  readonly missingOffset?: true;
}

const JSON_TYPES: Readonly<Record<string, string>> = {
  string: 'a JSON text',
  number: 'a JSON number without quotation marks',
  integer: 'a whole JSON number without quotation marks',
  boolean: 'true or false without quotation marks',
  object: 'a JSON object',
  array: 'a JSON list',
};

const PRIMITIVE_PROBLEMS: Readonly<Record<string, string>> = {
  base64Binary: 'this must be base64 text',
  canonical: 'this must be a URI: not empty, without spaces',
  code: 'this must be a code: not empty, no spaces at its ends, single ones within',
  date: 'this must be a date as YYYY, YYYY-MM or YYYY-MM-DD',
  dateTime: 'this must be a date, or a date and time with seconds and offset, as 2026-03-01T07:30:00+01:00',
  id: 'this must be an id: 1 to 64 letters, digits, hyphens and full stops',
  instant: 'this must be a date and time with seconds and offset, as 2026-03-01T07:30:00+01:00',
  markdown: 'this text must not be empty',
  oid: 'this must be an OID written as urn:oid:1.2.3',
  time: 'this must be a time of day as 07:30:00',
  uuid: 'this must be a UUID written as urn:uuid: and lower-case hexadecimal digits',
  xhtml: 'this narrative must not be empty',
};

const DATED = new Set(['date', 'dateTime', 'instant']);
const CLOCK_WITHOUT_ZONE = /^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?$/;
const FAR_OFFSET = /[+-](?:1[4-9]|[2-9]\d):\d{2}$/;

/** @param value what stands at the error's place */
export function describeSchemaError({ keyword, params }: SchemaError, value: unknown): DescribedError {
  switch (keyword) {
    case 'type':
      return {
        kind: 'structure',
        problem: value === null ? 'a null is not allowed in FHIR: leave the element out' : mustBe(params['type']),
      };
    case 'additionalProperties':
      return unknownProperty(String(params['additionalProperty']));
    case 'required':
    case 'requiredPrimitives':
      return { kind: 'required', problem: 'this element is required', child: String(params['missingProperty']) };
    case 'oneChoice':
      return {
        kind: 'structure',
        problem: 'this element may have one type of value only, and has several',
        child: String(params['base']),
      };
    case 'filledGaps':
      return {
        kind: 'structure',
        problem: 'a null in this list needs an extension at the same place of the list beside it',
        child: String(params['list']),
      };
    case 'hasContent':
      return { kind: 'structure', problem: 'this element is empty: give it content or leave it out' };
    case 'minItems':
      return { kind: 'structure', problem: 'an empty list is not allowed in FHIR: leave the element out' };
    case 'enum':
      return { kind: 'code-invalid', problem: `this must be one of: ${codes(params['allowedValues'])}` };
    case 'pattern':
      return wrongPrimitive(PATTERN_TYPES[String(params['pattern'])] ?? 'string', String(value));
    case 'minimum':
    case 'maximum':
      return {
        kind: 'value',
        problem: `this number must be ${params['comparison'] === '>=' ? 'at least' : 'at most'} ${String(params['limit'])}`,
      };
    default:
      return { kind: 'structure', problem: 'this element does not have the shape that R4 gives it' };
  }
}

function mustBe(type: unknown): string {
  const name: unknown = Array.isArray(type) ? type[0] : type;
  return `this must be ${JSON_TYPES[String(name)] ?? 'of another JSON type'}`;
}

function unknownProperty(name: string): DescribedError {
  const isNamed = isElementName(name);
  const problem = isNamed ? 'R4 has no element of this name here' : 'it has a property whose name is none of R4';
  return { kind: 'structure', problem, ...(isNamed && { child: name }) };
}

function codes(allowed: unknown): string {
  return Array.isArray(allowed) ? allowed.filter((code) => code !== null).join(', ') : 'the codes that R4 allows';
}

function wrongPrimitive(type: string, text: string): DescribedError {
  const problem = PRIMITIVE_PROBLEMS[type] ?? 'this text does not have the form that R4 gives it';
  if (!DATED.has(type)) return { kind: 'value', problem };
  if (/^\d{4}-\d{2}-\d{2}(?:T|$)/.test(text) && !isCalendarDate(text)) return { kind: 'value', problem: 'this day is not in the calendar' };
  if (type !== 'date' && CLOCK_WITHOUT_ZONE.test(text))
    return {
      kind: 'value',
      missingOffset: true,
      problem:
        'a time of day needs seconds and an offset from UTC, as 2026-03-01T07:30:00+01:00: without the offset nobody knows when it was',
    };
  if (FAR_OFFSET.test(text)) return { kind: 'value', problem: 'an offset from UTC lies between -14:00 and +14:00' };
  return { kind: 'value', problem };
}
