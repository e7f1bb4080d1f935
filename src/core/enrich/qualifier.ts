/**
 * A qualifier says how, on what or in which clothing a person was measured. It leaves as a
 * component or, for an EHR that validates the R4 profile to the letter, as an extension.
 *
 * R4's vital-signs profile binds component.value[x] to unit codes (required), so a coded
 * component is outside its letter although the same page recommends the codes; R4B relaxed it.
 * Components are the default, under our own profile; the policy setting `qualifiers.shape`
 * switches (HL7 FHIR R4 4.0.1, StructureDefinition vitalsigns; R4B 4.3.0, ValueSet ucum-vitals-common).
 */
import type * as fhir4 from 'fhir/r4.js';
import type { ExactObservation } from '../observation.ts';
import { OURS, SYSTEM } from '../terminology.ts';

export interface Coding {
  readonly system: string;
  readonly code: string;
  readonly display: string;
}

/** Where an answer came from; `unknown` says that nobody told. */
export type Origin = 'sent' | 'code' | 'device' | 'method' | 'service' | 'unknown';

export interface Qualifier {
  readonly code: Coding;
  /** Absent when unknown: then a data-absent reason is given, nothing is invented. */
  readonly answer?: Coding;
  readonly origin: Origin;
}

const UNKNOWN: Coding = { system: SYSTEM.dataAbsentReason, code: 'unknown', display: 'Unknown' };

/** Adds the qualifiers in the given shape; what is there already stays as it is. */
export function withQualifiers(observation: ExactObservation, qualifiers: readonly Qualifier[], shape: string): ExactObservation {
  if (qualifiers.length === 0) return observation;
  if (shape === 'extension') {
    return { ...observation, extension: [...(observation.extension ?? []), ...qualifiers.map(toExtension)] } as ExactObservation;
  }
  return { ...observation, component: [...(observation.component ?? []), ...qualifiers.map(toComponent)] } as ExactObservation;
}

function toComponent({ code, answer }: Qualifier): fhir4.ObservationComponent {
  return {
    code: { coding: [code] },
    ...(answer ? { valueCodeableConcept: { coding: [answer] } } : { dataAbsentReason: { coding: [UNKNOWN] } }),
  };
}

function toExtension({ code, answer }: Qualifier): fhir4.Extension {
  return {
    url: OURS.qualifierExtension,
    extension: [
      { url: 'qualifier', valueCoding: code },
      answer ? { url: 'answer', valueCodeableConcept: { coding: [answer] } } : { url: 'absent', valueCode: UNKNOWN.code },
    ],
  };
}
