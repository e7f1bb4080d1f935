/** Texts of readings and Bundles for published checks, and the BMI that the service then serves. */
import { expect } from 'vitest';
import { isJsonObject, type JsonObject } from '../../src/core/json.ts';
import { isLosslessNumber } from 'lossless-json';
import { treeOf, type Answer } from '../http/edge.ts';
import type { Service } from '../service.ts';

export interface Measured {
  /** Id of the Patient, who need not be known. */
  readonly person: string;
  readonly of: 'weight' | 'height';
  /** Written digits, sent as they are. */
  readonly value: string;
  /** UCUM code. */
  readonly unit: string;
  readonly at: string;
}

const LOINC = { weight: '29463-7', height: '8302-2' } as const;

/** A minimal conformant R4 vital-signs Observation. */
export function observationText({ person, of, value, unit, at }: Measured): string {
  return `{"resourceType":"Observation","status":"final",
    "category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs"}]}],
    "code":{"coding":[{"system":"http://loinc.org","code":"${LOINC[of]}"}]},
    "subject":{"reference":"Patient/${person}"},"effectiveDateTime":"${at}",
    "valueQuantity":{"value":${value},"unit":"${unit}","system":"http://unitsofmeasure.org","code":"${unit}"}}`;
}

export function patientText(id: string, birthDate: string, gender: string): string {
  return `{"resourceType":"Patient","id":"${id}","birthDate":"${birthDate}","gender":"${gender}"}`;
}

export function postEntry(resource: string): string {
  return `{"resource":${resource},"request":{"method":"POST","url":"Observation"}}`;
}

export function putEntry(resource: string, url: string): string {
  return `{"resource":${resource},"request":{"method":"PUT","url":"${url}"}}`;
}

export interface EntryAnswer {
  readonly status: number;
  /** Rule ids of the issues. */
  readonly rules: readonly string[];
}

/** Posts a batch and gives what became of each entry, in order. */
export async function postBatch(service: Service, entries: readonly string[]): Promise<EntryAnswer[]> {
  const answer = await service.post('', `{"resourceType":"Bundle","type":"batch","entry":[${entries.join(',')}]}`);
  expect(answer.status, answer.text.slice(0, 500)).toBe(200);
  return objects(treeOf(answer)['entry']).map(({ response }) => {
    const { status, outcome } = response as JsonObject;
    return { status: Number.parseInt(textOf(status), 10), rules: rulesOf(outcome) };
  });
}

/** Rule ids that an OperationOutcome names; none for another resource. */
export function rulesOf(outcome: unknown): string[] {
  if (!isJsonObject(outcome)) return [];
  return objects(outcome['issue']).flatMap(({ details }) =>
    isJsonObject(details) ? objects(details['coding']).map(({ code }) => textOf(code)) : [],
  );
}

export function issueRules(answer: Answer): string[] {
  return rulesOf(treeOf(answer));
}

export interface ServedBmi {
  /** Written digits. */
  readonly value: string;
  readonly unit: string;
}

/** Every BMI that a puller gets, by person, read page by page to the end. Throws when a person has two. */
export async function pullBmi(service: Service): Promise<Map<string, ServedBmi>> {
  const found = new Map<string, ServedBmi>();
  let path: string | undefined = '/fhir/Observation?code=http://loinc.org|39156-5&_count=200';
  while (path !== undefined) {
    const answer: Answer = await service.call('GET', path.replace('|', '%7C'));
    expect(answer.status, answer.text.slice(0, 500)).toBe(200);
    const page = treeOf(answer);
    for (const { resource } of objects(page['entry'])) {
      const { subject, valueQuantity } = resource as { subject: JsonObject; valueQuantity: JsonObject };
      const { value, code } = valueQuantity;
      const person = textOf(subject['reference']).slice('Patient/'.length);
      if (found.has(person) || !isLosslessNumber(value)) throw new Error(`two BMI, or one without a number, for ${person}`);
      found.set(person, { value: value.value, unit: textOf(code) });
    }
    const next = objects(page['link']).find(({ relation }) => relation === 'next')?.['url'];
    path = next === undefined ? undefined : textOf(next).slice(service.base.length - '/fhir'.length);
  }
  return found;
}

function textOf(value: unknown): string {
  if (typeof value !== 'string') throw new Error('a text was expected');
  return value;
}

export function objects(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}

export function inGroupsOf<Item>(size: number, items: readonly Item[]): Item[][] {
  return Array.from({ length: Math.ceil(items.length / size) }, (_, group) => items.slice(group * size, (group + 1) * size));
}
