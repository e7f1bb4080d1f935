/**
 * Patient, Device and DeviceMetric: the little that judging a reading needs. A Patient that
 * becomes known takes over the readings filed under its identifiers, and its BMI are derived anew.
 */
import type * as fhir4 from 'fhir/r4.js';
import { conformResource } from '../core/conform.ts';
import { consequences } from '../core/serial/consequences.ts';
import { identifierTokens } from '../core/facts.ts';
import { finding, toOperationOutcome, type Finding } from '../core/finding.ts';
import { implicitRules, modifierExtension } from '../core/rules/profile.ts';
import type { Exact, JsonObject, JsonValue } from '../core/json.ts';
import { logicalKey } from '../core/pointers.ts';
import { unusableDeviceFacts, unusablePersonFacts } from '../core/registry.ts';
import { ServiceError } from '../errors.ts';
import { refused, type Taken } from './answer.ts';
import type { StoredResource, StoreWriter } from '../ports.ts';
import { loadPersonByKey, treeOf, type Surroundings } from './context.ts';
import { rememberForms } from './identity.ts';
import { recordConsequences } from './record.ts';

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
): Promise<Taken> {
  const conformed = conformResource(parsed, type);
  if (!conformed.ok) return refused(conformed.findings, work);
  const { resource } = conformed;
  const faults = [...modifiersOf(resource, type), ...unusableFacts(resource, type, work)];
  if (faults.length > 0) return refused(faults, work);
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
  if (type === 'Patient') await takeOver(writer, id, resource as unknown as Exact<fhir4.Patient>, before, work);
  return {
    status: before === undefined ? 201 : 200,
    findings: [],
    verdict: 'accepted',
    resource: stored,
    outcome: toOperationOutcome([], { policyVersion: work.policy.version, root: type }),
  };
}

/** Elements that could turn the meaning of a registry resource around, and that nobody here knows. */
function modifiersOf(resource: JsonObject, type: RegistryType): Finding[] {
  return [modifierExtension, implicitRules].flatMap((rule) => {
    const element = rule === implicitRules ? 'implicitRules' : 'modifierExtension';
    return resource[element] === undefined ? [] : [finding(rule, {}, { expression: `${type}.${element}` })];
  });
}

function unusableFacts(resource: JsonObject, type: RegistryType, { clock }: RegistryWork): Finding[] {
  if (type === 'Device') return unusableDeviceFacts(resource as unknown as Exact<fhir4.Device>);
  return type === 'Patient' ? unusablePersonFacts(resource as unknown as Exact<fhir4.Patient>, clock.nowMs()) : [];
}

function referencesOf(type: RegistryType, resource: JsonObject): string[] {
  const source = type === 'DeviceMetric' ? (resource as unknown as Exact<fhir4.DeviceMetric>).source?.reference : undefined;
  return source === undefined ? [] : [source];
}

/**
 * Files readings by the identifiers as they are now: those that the Patient has, and those that
 * it had before and somebody else may have now. An identifier of several Patients moves nothing.
 */
async function takeOver(
  writer: StoreWriter,
  id: string,
  patient: Exact<fhir4.Patient>,
  before: StoredResource | undefined,
  work: RegistryWork,
): Promise<void> {
  const key = `Patient/${id}`;
  const identifiers = [...identifierTokens(patient), ...(before ? identifierTokens(treeOf(before)) : [])];
  const concerned = new Set([key]);
  for (const { system, value } of identifiers) {
    if (system === undefined) continue;
    const [holder, another] = await writer.idsByIdentifier('Patient', { system, value }, 2);
    if (another !== undefined) continue;
    const person = holder === undefined ? logicalKey({ system, value }) : `Patient/${holder}`;
    const losers = await writer.refile(logicalKey({ system, value }), person);
    if (losers.length === 0) continue;
    for (const one of [person, ...losers]) concerned.add(one);
    await rememberMoved(writer, person);
  }
  for (const person of concerned) await judgeAnew(writer, person, work);
}

/** A resend that names the person as they are known now must be known too. */
async function rememberMoved(writer: StoreWriter, person: string): Promise<void> {
  for (const reading of await writer.readingsOf(person)) await rememberForms(writer, reading.id, [reading]);
}

/** Brings a person's readings and BMI to what their facts and the policy give now. */
export async function judgeAnew(
  writer: StoreWriter,
  key: string,
  { clock, policy, growth, knownBases, forwards }: RegistryWork,
): Promise<void> {
  const history = await writer.readingsOf(key);
  const standing = await writer.standingDerivedOf(key);
  if (history.length === 0 && standing.length === 0) return;
  const person = await loadPersonByKey(writer, key);
  const context = { nowMs: clock.nowMs(), policy, ...(growth && { growth }), knownBases, person, history, standing };
  await recordConsequences(writer, key, consequences(context), context, { forwards, nowMs: context.nowMs });
}
