/** What all our conformance resources have in common: canonical URL, version, publisher, notices. */
import type * as fhir4 from 'fhir/r4.js';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { CANONICAL_BASE, SYSTEM } from '../../src/core/terminology.ts';

export type Artefact =
  fhir4.StructureDefinition | fhir4.ValueSet | fhir4.CodeSystem | fhir4.ConceptMap | fhir4.OperationDefinition | fhir4.CapabilityStatement;

/** Version of the software and of everything it publishes. */
export const { version } = JSON.parse(readFileSync(join(import.meta.dirname, '../../package.json'), 'utf8')) as { version: string };

/** When this version's artefacts were last changed: a date by hand, so that nothing drifts by itself. */
export const RELEASED = '2026-11-25';

export interface Naming {
  readonly id: string;
  readonly title: string;
  readonly description: string;
}

type Header<Type extends Artefact['resourceType']> = {
  readonly resourceType: Type;
  readonly id: string;
  readonly url: string;
  readonly version: string;
  readonly name: string;
  readonly title: string;
  readonly status: 'active';
  readonly experimental: false;
  readonly publisher: string;
  readonly description: string;
};

/** The first members of an artefact; `name` is the id in PascalCase, as R4 asks of names. */
export function header<Type extends Artefact['resourceType']>(resourceType: Type, { id, title, description }: Naming): Header<Type> {
  return {
    resourceType,
    id,
    url: canonicalOf(resourceType, id),
    version,
    name: id.replace(/(?:^|-)([a-z])/g, (_, letter: string) => letter.toUpperCase()),
    title,
    status: 'active',
    experimental: false,
    publisher: 'The Steelyard project',
    description,
  };
}

export function canonicalOf(resourceType: Artefact['resourceType'], id: string): string {
  return `${CANONICAL_BASE}/${resourceType}/${id}`;
}

/** The id at the end of a canonical URL of ours. */
export function idOf(canonical: string): string {
  return canonical.slice(canonical.lastIndexOf('/') + 1);
}

const NOTICES: readonly (readonly [system: string, notice: string])[] = [
  [
    SYSTEM.loinc,
    'Contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc. and the Logical Observation Identifiers Names and Codes (LOINC) Committee, and is available at no cost under the licence at http://loinc.org/license. LOINC is a registered United States trademark of Regenstrief Institute, Inc.',
  ],
  [
    SYSTEM.ucum,
    'Contains codes from UCUM, which is copyright © Regenstrief Institute, Inc. and The UCUM Organization, and is available at no cost under the terms at https://ucum.org/license.',
  ],
];

/** Adds the copyright notices of the terminologies whose codes appear. */
export function withNotices<Resource extends Exclude<Artefact, fhir4.OperationDefinition | fhir4.CapabilityStatement>>(
  artefact: Resource,
): Resource {
  const text = JSON.stringify(artefact);
  const notices = NOTICES.filter(([system]) => text.includes(`"${system}"`)).map(([, notice]) => notice);
  return notices.length === 0 ? artefact : { ...artefact, copyright: notices.join(' ') };
}
