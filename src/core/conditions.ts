/**
 * What the number on a scale stands on besides the person: a cast, a prosthesis, a missing limb,
 * fluid, what lay on the bed. Senders say it, as a component or as our extension in its place, any
 * number of times; nothing is guessed here.
 *
 * Sources: PhenX Toolkit 021501 (cast or prosthesis must be noted); CDC/NCHS, NHANES Body Measures
 * documentation (comment code for a medical appliance; weights of people with an amputation are set
 * to missing). Oedema, dialysis and equipment on the bed: common practice, no source.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { Exact } from './json.ts';
import { OURS, QUALIFIER } from './terminology.ts';

type Concept = Exact<fhir4.CodeableConcept>;

/** The codes of the CodeSystem weighing-condition, in the words of the ward. */
export const CONDITIONS = {
  cast: { display: 'Wears a cast' },
  prosthesis: { display: 'Wears a prosthesis' },
  amputation: { display: 'A limb or part of one is missing' },
  oedema: { display: 'Swollen with fluid (oedema or ascites)' },
  'before-dialysis': { display: 'Weighed before dialysis' },
  'after-dialysis': { display: 'Weighed after dialysis' },
  'equipment-on-bed': { display: 'Equipment or bedding on the bed was weighed along' },
} as const satisfies Readonly<Record<string, { readonly display: string }>>;

export type Condition = keyof typeof CONDITIONS;

/** Fluid comes and goes within hours: a fast change then says little about an error. */
export const FLUID: readonly Condition[] = ['oedema', 'before-dialysis', 'after-dialysis'];

/** What weighs something by itself, or weighs nothing any more. */
export const MASSES_ALONG: readonly Condition[] = ['cast', 'prosthesis', 'amputation', 'equipment-on-bed'];

/** The conditions that an Observation names: sorted, each once. */
export function sentConditions(observation: Exact<fhir4.Observation>): readonly Condition[] {
  const codes = conditionCodes(observation).filter(isCondition);
  return [...new Set(codes)].sort();
}

/** Codes that are said to be of our CodeSystem and are not in it. */
export function unknownConditions(observation: Exact<fhir4.Observation>): readonly string[] {
  return [...new Set(conditionCodes(observation))].filter((code) => !isCondition(code));
}

function isCondition(code: string): code is Condition {
  return Object.hasOwn(CONDITIONS, code);
}

/** Every code of our system in the condition components, and in the extensions that stand in their place. */
function conditionCodes({ component, extension }: Exact<fhir4.Observation>): string[] {
  const fromComponents = component?.flatMap(({ code, valueCodeableConcept }) =>
    code.coding?.some(isQuestion) ? (valueCodeableConcept ?? []) : [],
  );
  const fromExtensions = extension?.flatMap(({ url, extension: parts = [] }) =>
    url === OURS.qualifierExtension && parts.some((part) => part.url === 'qualifier' && isQuestion(part.valueCoding))
      ? parts.flatMap((part) => (part.url === 'answer' ? (part.valueCodeableConcept ?? []) : []))
      : [],
  );
  return [...(fromComponents ?? []), ...(fromExtensions ?? [])].flatMap(codesOfOurs);
}

function isQuestion(coding: Exact<fhir4.Coding> | undefined): boolean {
  return coding?.system === QUALIFIER.condition.system && coding.code === QUALIFIER.condition.code;
}

function codesOfOurs({ coding = [] }: Concept): string[] {
  return coding.flatMap(({ system, code }) => (system === OURS.conditionSystem && code !== undefined ? [code] : []));
}

/** Those of `among` that a reading names, as one text to compare by. */
export function conditionsText(conditions: readonly Condition[] | undefined, among?: readonly Condition[]): string {
  return (conditions ?? []).filter((condition) => among === undefined || among.includes(condition)).join(' ');
}
