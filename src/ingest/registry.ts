/**
 * Patient, Device and DeviceMetric: the little that judging a reading needs. A Patient that
 * becomes known takes over the readings filed under its identifiers, one that another Patient
 * replaces gives its readings up to that one, and the BMI of both are derived anew.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { Conformed } from '../core/conform.ts';
import { consequences } from '../core/serial/consequences.ts';
import { identifierTokens } from '../core/facts.ts';
import { finding, toOperationOutcome, type Finding } from '../core/finding.ts';
import { implicitRules, modifierExtension } from '../core/rules/profile.ts';
import type { Exact, JsonObject } from '../core/json.ts';
import { logicalKey } from '../core/pointers.ts';
import { replacedBy, replacementUnusable, unusableDeviceFacts, unusablePersonFacts } from '../core/registry.ts';
import { ServiceError } from '../errors.ts';
import { refused, type Taken } from './answer.ts';
import type { StoredResource, StoreWriter } from '../ports.ts';
import { loadPersonByKey, type Surroundings } from './context.ts';
import { ownerOf, registryReferences } from './devices.ts';
import { rememberForms } from './identity.ts';
import { recordConsequences, type Cause } from './record.ts';
import { checkMayRegister } from './senders.ts';
import { treeOf } from './stored-tree.ts';
import { leadsTo, personFor, survivorOf } from './survivor.ts';

export type RegistryType = 'Patient' | 'Device' | 'DeviceMetric';

/** The version that must be current, or that there is none yet. */
export type ExpectedVersion = number | 'none';

type RegistryWork = Surroundings & Cause;

/** Stores a registry resource under the caller's id; 201 when it is new, else 200. */
export async function putRegistry(
  writer: StoreWriter,
  type: RegistryType,
  id: string,
  conformed: Conformed<JsonObject>,
  expected: ExpectedVersion | undefined,
  work: RegistryWork,
): Promise<Taken> {
  if (!conformed.ok) return refused(conformed.findings, work);
  const { resource } = conformed;
  const faults = [...modifiersOf(resource, type), ...(await unusableFacts(writer, resource, type, id, work))];
  if (faults.length > 0) return refused(faults, work);
  if (resource['id'] !== id)
    throw new ServiceError('ERR_BAD_VALUE', `The id in the body is not the id in the address; make them equal.`, {
      expression: `${type}.id`,
    });
  await checkMayRegister(writer, type, id, resource, work);
  const before = await writer.current(type, id);
  if (expected !== undefined && (before?.version ?? 'none') !== expected) {
    throw new ServiceError(
      'ERR_VERSION_CONFLICT',
      'If-Match names a version that is not the current one; read again and repeat the change.',
      { expression: 'http.If-Match' },
    );
  }
  const filedFor = type === 'Patient' ? `Patient/${await survivorOf(writer, id)}` : '';
  const stored = await writer.putRegistry(type, id, resource, {
    identifiers: identifierTokens(resource),
    references: registryReferences(type, resource, work.knownBases),
  });
  if (type === 'Patient') await takeOver(writer, id, resource as unknown as Exact<fhir4.Patient>, before, filedFor, work);
  if (type === 'Device') await judgeOwnersAnew(writer, [resource, ...(before ? [treeOf(before)] : [])], work);
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

async function unusableFacts(
  writer: StoreWriter,
  resource: JsonObject,
  type: RegistryType,
  id: string,
  { clock, knownBases }: RegistryWork,
): Promise<Finding[]> {
  if (type === 'Device') return unusableDeviceFacts(resource as unknown as Exact<fhir4.Device>);
  if (type !== 'Patient') return [];
  const patient = resource as unknown as Exact<fhir4.Patient>;
  const unusable = unusablePersonFacts(patient, clock.nowMs(), knownBases);
  const replacement = replacedBy(patient, knownBases);
  if (unusable.length > 0 || replacement === undefined || !(await leadsTo(writer, replacement, id))) return unusable;
  return [replacementUnusable(patient.link?.findIndex(({ type: linked }) => linked === 'replaced-by') ?? 0)];
}

/**
 * Files readings by the Patient as it is now: what was sent under its identifiers, those that it had
 * before and somebody else may have now, and under its own id, which another one may have replaced.
 * An identifier of several people moves nothing.
 *
 * @param filedFor key of the person whom this Patient's readings were filed for until now
 */
async function takeOver(
  writer: StoreWriter,
  id: string,
  patient: Exact<fhir4.Patient>,
  before: StoredResource | undefined,
  filedFor: string,
  work: RegistryWork,
): Promise<void> {
  const key = `Patient/${id}`;
  const now = await personFor(writer, key);
  const identifiers = [...identifierTokens(patient), ...(before ? identifierTokens(treeOf(before)) : [])];
  const sentUnder = new Set(identifiers.flatMap(({ system, value }) => (system === undefined ? [] : [logicalKey({ system, value })])));
  if (now !== filedFor) {
    // links of others may lead through this Patient, so whatever is filed there is looked at again
    for (const sent of await writer.keysFiledFor(filedFor)) sentUnder.add(sent);
    if (now !== undefined && filedFor === key) await writer.requeue(key, now);
  }
  const concerned = new Set([key]);
  for (const sent of sentUnder) {
    const person = await personFor(writer, sent);
    const losers = person === undefined ? [] : await writer.refile(sent, person);
    if (person === undefined || losers.length === 0) continue;
    for (const one of [person, ...losers]) concerned.add(one);
    await rememberMoved(writer, person);
  }
  for (const person of concerned) await judgeAnew(writer, person, work);
}

/** Whose chair it is, and whose it was: what is known to be subtracted tells forgotten chairs. */
async function judgeOwnersAnew(writer: StoreWriter, versions: readonly JsonObject[], work: RegistryWork): Promise<void> {
  const owners = new Set<string>();
  for (const version of versions) {
    const owner = await ownerOf(writer, version as unknown as Exact<fhir4.Device>, work.knownBases);
    if (owner !== undefined) owners.add(owner);
  }
  for (const owner of owners) await judgeAnew(writer, owner, work);
}

/** A resend that names the person as they are known now must be known too. */
async function rememberMoved(writer: StoreWriter, person: string): Promise<void> {
  for (const reading of await writer.readingsOf(person)) await rememberForms(writer, reading.id, [reading]);
}

/** Brings a person's readings and BMI to what their facts and the policy give now. */
export async function judgeAnew(
  writer: StoreWriter,
  key: string,
  { clock, policy, growth, knownBases, forwards, call }: RegistryWork,
): Promise<void> {
  const history = await writer.readingsOf(key);
  const standing = await writer.standingDerivedOf(key);
  if (history.length === 0 && standing.length === 0) return;
  const person = await loadPersonByKey(writer, key, knownBases);
  const context = { nowMs: clock.nowMs(), policy, ...(growth && { growth }), knownBases, person, history, standing };
  await recordConsequences(writer, key, consequences(context), context, { forwards, nowMs: context.nowMs, call });
}
