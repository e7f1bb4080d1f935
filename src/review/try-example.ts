/**
 * A Bundle to begin with, measured in the last hour: a height, a weight that is accepted and gives a BMI,
 * the same weight in pounds under the unit kg, which is held, and one with a digit that no scale reads,
 * which is refused. Everybody in it is invented.
 */
import { toInstant } from '../core/fhir-time.ts';
import { exactNumber, type JsonObject } from '../core/json.ts';
import { prettyJson } from '../core/pretty-json.ts';
import { PARENT_CODE, SYSTEM, VITAL_SIGNS_CATEGORY, type Measured } from '../core/terminology.ts';

const PERSON = 'Patient/invented-quill-tester';
const MINUTE_MS = 60_000;
const COLUMNS = 100;

/** @param nowMs the clock of the service */
export function exampleToTry(nowMs: number): string {
  const wholeMinute = Math.floor(nowMs / MINUTE_MS) * MINUTE_MS;
  const ago = (minutes: number): string => toInstant(wholeMinute - minutes * MINUTE_MS);
  const entry = [
    {
      resource: {
        resourceType: 'Patient',
        id: PERSON.replace('Patient/', ''),
        name: [{ text: 'Quill Tester (invented)' }],
        gender: 'female',
        birthDate: '1968-09-30',
      },
      request: { method: 'PUT', url: PERSON },
    },
    ...[
      reading('height', '164.5', 'cm', ago(40)),
      reading('weight', '72.4', 'kg', ago(30)),
      reading('weight', '159.6', 'kg', ago(20)),
      reading('weight', '72.45', 'kg', ago(10)),
    ].map((resource) => ({ resource, request: { method: 'POST', url: 'Observation' } })),
  ];
  return prettyJson({ resourceType: 'Bundle', type: 'batch', entry }, COLUMNS);
}

function reading(of: Measured, value: string, unit: string, effectiveDateTime: string): JsonObject {
  return {
    resourceType: 'Observation',
    status: 'final',
    category: [{ coding: [VITAL_SIGNS_CATEGORY] }],
    code: { coding: [{ system: SYSTEM.loinc, ...PARENT_CODE[of] }] },
    subject: { reference: PERSON },
    effectiveDateTime,
    valueQuantity: { value: exactNumber(value), unit, system: SYSTEM.ucum, code: unit },
  };
}
