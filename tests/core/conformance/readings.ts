/** Resources that conform, for tests to damage. Everybody and everything in them is invented. */
import type * as fhir4 from 'fhir/r4.js';

export const LOINC = 'http://loinc.org';
export const UCUM = 'http://unitsofmeasure.org';
export const COMPONENT_SYSTEM = 'https://steelyard.example/fhir/CodeSystem/weighing-component';
export const dataAbsent = { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code: 'unknown' }] };

export type Damage = Readonly<Record<string, unknown>>;

export const WEIGHT: fhir4.Observation = {
  resourceType: 'Observation',
  id: 'w1',
  meta: { profile: ['http://hl7.org/fhir/StructureDefinition/bodyweight'] },
  identifier: [{ system: 'https://harbourlight.example/readings', value: 'hl-0001' }],
  status: 'final',
  category: [{ coding: [{ system: 'http://terminology.hl7.org/CodeSystem/observation-category', code: 'vital-signs' }] }],
  code: { coding: [{ system: 'http://loinc.org', code: '29463-7', display: 'Body weight' }], text: 'Weight' },
  subject: { reference: 'Patient/harbour-ada' },
  effectiveDateTime: '2026-03-02T07:30:00+01:00',
  performer: [{ reference: 'Practitioner/night-nurse' }],
  device: { reference: 'Device/scale-7' },
  valueQuantity: { value: 70.5, unit: 'kg', system: 'http://unitsofmeasure.org', code: 'kg' },
  component: [
    {
      code: { coding: [{ system: 'http://loinc.org', code: '8352-7' }] },
      valueCodeableConcept: { coding: [{ system: 'http://loinc.org', code: 'LA11871-3' }] },
    },
    {
      code: { coding: [{ system: 'https://steelyard.example/fhir/CodeSystem/weighing-component', code: 'tare' }] },
      valueQuantity: { value: 12.5, unit: 'kg', system: 'http://unitsofmeasure.org', code: 'kg' },
    },
  ],
};

/** The weight with members replaced, or removed where `undefined` is given; as a parser would give it. */
export function damaged(damage: Damage, of: object = WEIGHT): unknown {
  return JSON.parse(JSON.stringify({ ...of, ...damage }));
}
