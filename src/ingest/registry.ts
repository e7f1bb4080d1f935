/**
 * Patient, Device and DeviceMetric: the little that judging a reading needs. A Patient that
 * becomes known takes over the readings filed under its identifiers, and its BMI are derived anew.
 */
import type * as fhir4 from 'fhir/r4.js';
import { conformResource } from '../core/conform.ts';
import { deriveBmi } from '../core/derive/bmi.ts';
import { bmiDifference } from '../core/derive/difference.ts';
import { identifierTokens } from '../core/facts.ts';
import { refusalStatusOf, toOperationOutcome } from '../core/finding.ts';
import type { Exact, JsonObject, JsonValue } from '../core/json.ts';
import { logicalKey } from '../core/observation.ts';
import { ServiceError } from '../errors.ts';
import type { IntakeAnswer } from './answer.ts';
import type { StoreWriter } from '../ports.ts';
import { loadPersonByKey, type Surroundings } from './context.ts';
import { recordDerived } from './record.ts';

export type RegistryType = 'Patient' | 'Device' | 'DeviceMetric';

interface RegistryWork extends Surroundings {
  readonly forwards: boolean;
}

/** Stores a registry resource under the caller's id; 201 when it is new, else 200. */
export async function putRegistry(
  writer: StoreWriter,
  type: RegistryType,
  id: string,
  parsed: JsonValue,
  ifMatchVersion: number | undefined,
  work: RegistryWork,
): Promise<IntakeAnswer> {
  const conformed = conformResource(parsed, type);
  if (!conformed.ok) {
    const { findings } = conformed;
    return {
      status: refusalStatusOf(findings),
      verdict: 'refused',
      outcome: toOperationOutcome(findings, { policyVersion: work.policy.version }),
    };
  }
  const { resource } = conformed;
  if (resource['id'] !== id)
    throw new ServiceError('ERR_BAD_VALUE', `The id in the body is not the id in the address; make them equal.`, {
      expression: `${type}.id`,
    });
  const before = await writer.current(type, id);
  if (ifMatchVersion !== undefined && before?.version !== ifMatchVersion) {
    throw new ServiceError(
      'ERR_VERSION_CONFLICT',
      'If-Match names a version that is not the current one; read again and repeat the change.',
      { expression: 'http.If-Match' },
    );
  }
  const stored = await writer.putRegistry(type, id, resource, {
    identifiers: identifierTokens(resource),
    references: referencesOf(type, resource),
  });
  if (type === 'Patient') await takeOver(writer, id, resource as unknown as Exact<fhir4.Patient>, work);
  return { status: before === undefined ? 201 : 200, verdict: 'accepted', resource: stored, outcome: toOperationOutcome([]) };
}

function referencesOf(type: RegistryType, resource: JsonObject): string[] {
  const source = type === 'DeviceMetric' ? (resource as unknown as Exact<fhir4.DeviceMetric>).source?.reference : undefined;
  return source === undefined ? [] : [source];
}

async function takeOver(writer: StoreWriter, id: string, patient: Exact<fhir4.Patient>, work: RegistryWork): Promise<void> {
  const key = `Patient/${id}`;
  for (const { system, value } of identifierTokens(patient)) {
    if (system === undefined) continue;
    const [, another] = await writer.idsByIdentifier('Patient', { system, value }, 2);
    if (another === undefined) await writer.reassign(logicalKey({ system, value }), key);
  }
  await deriveAnew(writer, key, work);
}

/** Brings a person's BMI to what their readings and the policy give now. */
export async function deriveAnew(writer: StoreWriter, key: string, { clock, policy, knownBases, forwards }: RegistryWork): Promise<void> {
  const history = await writer.readingsOf(key);
  const standing = await writer.standingBmiOf(key);
  if (history.length === 0 && standing.length === 0) return;
  const person = await loadPersonByKey(writer, key);
  const nowMs = clock.nowMs();
  const { drafts } = deriveBmi(history, person, policy);
  const derived = bmiDifference(drafts, { nowMs, policy, knownBases, id: '', version: 0, person, history, standing });
  await recordDerived(writer, key, derived, { forwards, nowMs });
}
