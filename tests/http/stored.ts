/** Observations put straight into a store, past the intake, for tests of reading and searching. */
import { parseExactJson, type JsonObject } from '../../src/core/json.ts';
import { HELD_TAG, PARENT_CODE, SYSTEM, VITAL_SIGNS_CATEGORY, type Quantified } from '../../src/core/terminology.ts';
import type { ObservationFacts, Store, StoredResource } from '../../src/ports.ts';

export interface Kept {
  readonly id: string;
  readonly of?: Quantified;
  readonly value?: string;
  readonly person?: string;
  readonly time?: string;
  readonly held?: boolean;
  readonly status?: string;
  readonly identifier?: string;
  readonly device?: string;
  readonly derivedFrom?: readonly string[];
}

export const IDENTIFIER_SYSTEM = 'urn:example:harbourlight';

export async function keep(store: Store, kept: Kept): Promise<StoredResource> {
  const { id, of = 'weight', value = '70.0', person = 'Patient/ada', time = '2026-11-20T08:00:00Z', held = false, derivedFrom = [] } = kept;
  const status = kept.status ?? (held ? 'preliminary' : 'final');
  const { code, display } = PARENT_CODE[of];
  const text = `{"resourceType":"Observation","id":"${id}",${held ? `"meta":{"tag":[{"system":"${HELD_TAG.system}","code":"${HELD_TAG.code}"}]},` : ''}
    ${kept.identifier ? `"identifier":[{"system":"${IDENTIFIER_SYSTEM}","value":"${kept.identifier}"}],` : ''}
    "status":"${status}","code":{"coding":[{"system":"${SYSTEM.loinc}","code":"${code}","display":"${display}"}]},
    "subject":{"reference":"${person}"},"effectiveDateTime":"${time}",
    ${derivedFrom.length > 0 ? `"derivedFrom":[${derivedFrom.map((input) => `{"reference":"Observation/${input}"}`).join(',')}],` : ''}
    "valueQuantity":{"value":${value},"unit":"kg","system":"${SYSTEM.ucum}","code":"kg"}}`;
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new Error(parsed.problem.reason);
  const at = Date.parse(time);
  const facts: ObservationFacts = {
    of,
    person,
    status,
    held,
    startMs: at,
    endMs: at,
    codes: [{ system: SYSTEM.loinc, value: code }],
    categories: [{ system: VITAL_SIGNS_CATEGORY.system, value: VITAL_SIGNS_CATEGORY.code }],
    identifiers: kept.identifier ? [{ system: IDENTIFIER_SYSTEM, value: kept.identifier }] : [],
    tags: held ? [{ system: HELD_TAG.system, value: HELD_TAG.code }] : [],
    derivedFrom: [...derivedFrom],
    ...(kept.device !== undefined && { device: kept.device }),
    ...(of === 'bmi' && {
      standing: { weightId: derivedFrom[0] ?? '', heightId: derivedFrom[1] ?? '', valueText: value, effectiveText: time },
    }),
  };
  return store.write((tx) => tx.putObservation(id, parsed.value as JsonObject, facts));
}
