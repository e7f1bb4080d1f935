/** What the EHR got, and what it could pull: read from the receiver and from the service's own FHIR. */
import { isLosslessNumber } from 'lossless-json';
import { isJsonObject, parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { PARENT_CODE } from '../../src/core/terminology.ts';
import type { Receiver } from '../receiver/receiver.ts';
import type { Answered } from '../simulator/gateway.ts';
import { readingKeyIn } from '../simulator/ward-day.ts';

export interface Arrivals {
  /** Written digits of each weight and height, by the gateway's own identifier. */
  readonly digits: ReadonlyMap<string, string>;
  /** BMI by the identifier of its weight. */
  readonly bmi: ReadonlyMap<string, string>;
  readonly provenances: number;
  readonly bundles: number;
}

export function arrivalsAt(receiver: Receiver): Arrivals {
  const observations = receiver.resources().filter(({ type }) => type === 'Observation');
  const keyAt = new Map(observations.map(({ id, content }) => [`Observation/${id}`, readingKeyIn(content)]));
  const measured = observations.filter(({ content }) => readingKeyIn(content) !== undefined);
  const derived = observations.filter(({ content }) => readingKeyIn(content) === undefined && content['status'] !== 'entered-in-error');
  return {
    digits: new Map(measured.map(({ content }) => [readingKeyIn(content) ?? '', digitsIn(content)])),
    bmi: new Map(derived.map(({ content }) => [keyAt.get(weightIn(content)) ?? 'a weight that did not arrive', digitsIn(content)])),
    provenances: receiver.resources().filter(({ type }) => type === 'Provenance').length,
    bundles: receiver.bundles().length,
  };
}

/** BMI that an EHR pulls from the service, by the identifier of the weight. Throws when a page cannot be read. */
export async function pullBmi(base: string, answers: readonly Answered[]): Promise<ReadonlyMap<string, string>> {
  const keyOf = new Map(
    answers.flatMap(({ storedAs, reading, verdict }) =>
      storedAs === undefined || verdict === 'resent' ? [] : [[`Observation/${storedAs}`, reading.corrects ?? reading.key]],
    ),
  );
  const found = new Map<string, string>();
  let next: string | undefined = `${base}/Observation?code=${PARENT_CODE.bmi.code}&_count=50`;
  while (next !== undefined) {
    const page = await pageAt(next);
    for (const { resource } of objectsIn(page['entry'])) {
      if (isJsonObject(resource)) found.set(keyOf.get(weightIn(resource)) ?? 'an unknown weight', digitsIn(resource));
    }
    const link = objectsIn(page['link']).find(({ relation }) => relation === 'next')?.['url'];
    next = typeof link === 'string' ? link : undefined;
  }
  return found;
}

async function pageAt(url: string): Promise<JsonObject> {
  const response = await fetch(url, { headers: { Accept: 'application/fhir+json' } });
  const parsed = parseExactJson(await response.text());
  if (!response.ok || !parsed.ok || !isJsonObject(parsed.value)) throw new Error(`the pull was answered with ${response.status}`);
  return parsed.value;
}

function digitsIn({ valueQuantity }: JsonObject): string {
  const value = isJsonObject(valueQuantity) ? valueQuantity['value'] : undefined;
  return isLosslessNumber(value) ? value.value : '';
}

/** The first input of a BMI is its weight. */
function weightIn({ derivedFrom }: JsonObject): string {
  const reference = objectsIn(derivedFrom)[0]?.['reference'];
  return typeof reference === 'string' ? reference : '';
}

function objectsIn(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}
