/** Pieces of StructureDefinition differentials. */
import type * as fhir4 from 'fhir/r4.js';
import { canonicalOf } from './published.ts';

export const HL7 = 'http://hl7.org/fhir';

/** An element by its id; the path is the id without slice names (R4 ElementDefinition, id). */
export function element(id: string, content: Omit<fhir4.ElementDefinition, 'id' | 'path'> = {}): fhir4.ElementDefinition {
  return { id, path: id.replace(/:[^.]+/g, ''), ...content };
}

export function referenceTo(...targets: string[]): fhir4.ElementDefinitionType[] {
  return [
    { code: 'Reference', targetProfile: targets.map((target) => (target.includes(':') ? target : `${HL7}/StructureDefinition/${target}`)) },
  ];
}

type Strength = fhir4.ElementDefinitionBinding['strength'];

export function boundTo(valueSet: string, strength: Strength): Pick<fhir4.ElementDefinition, 'binding'> {
  return { binding: { strength, valueSet } };
}

/** Binding to a value set of the R4 specification: a required one names the version. */
export function boundToR4(id: string, strength: Strength): Pick<fhir4.ElementDefinition, 'binding'> {
  return boundTo(`${HL7}/ValueSet/${id}${strength === 'required' ? '|4.0.1' : ''}`, strength);
}

export function boundToOurs(id: string, strength: Strength): Pick<fhir4.ElementDefinition, 'binding'> {
  return boundTo(canonicalOf('ValueSet', id), strength);
}

export const exactlyOne = { min: 1, max: '1', mustSupport: true } as const;
export const atMostOne = { min: 0, max: '1', mustSupport: true } as const;
