/** Loads what a judgement depends on, from the store as it is at that moment. */
import type * as fhir4 from 'fhir/r4.js';
import { parseExactJson, type Exact, type JsonObject } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import { devicePointer, keyOf, logicalKey, pointerOf, type Pointer } from '../core/pointers.ts';
import type { Policy } from '../core/policy.ts';
import type { Context, DeviceFacts, PersonFacts } from '../core/reading.ts';
import { isUnassigned, unassignedKey } from '../core/unassigned.ts';
import { toDeviceFacts, toPersonFacts } from '../core/registry.ts';
import type { Clock, StoredResource, StoreReader } from '../ports.ts';
import { personBehind, survivorOf } from './survivor.ts';

/** The surroundings of every judgement of one piece of work. */
export interface Surroundings {
  readonly clock: Clock;
  readonly policy: Policy;
  readonly knownBases: readonly string[];
}

/** A stored resource as an exact tree. What we stored ourselves is readable, or the store is broken. */
export function treeOf({ text, type, id }: StoredResource): JsonObject {
  const result = parseExactJson(text);
  if (!result.ok) throw new Error(`${type}/${id} is stored in an unreadable form`);
  return result.value as JsonObject;
}

/**
 * @param filedFor key of the person when it is known already: a correction stays with whom its
 *   reading is filed for, whatever an identifier has come to mean since
 */
export async function loadContext(
  reader: StoreReader,
  observation: ExactObservation,
  place: Pick<Context, 'id' | 'version'>,
  { clock, policy, knownBases }: Surroundings,
  filedFor?: string,
): Promise<Context> {
  const { person, device } = await loadFacts(reader, observation, { policy, knownBases }, filedFor);
  // what is kept for a place is of several people: none of it is anybody's history
  const [history, standing] =
    person.key === '' || isUnassigned(person.key)
      ? [[], []]
      : [await reader.readingsOf(person.key), await reader.standingBmiOf(person.key)];
  return {
    nowMs: clock.nowMs(),
    policy,
    knownBases,
    ...place,
    person,
    ...(device && { device }),
    history: history.filter(({ id }) => id !== place.id),
    standing,
  };
}

/** What is known now of the person and the device of an Observation; `filedFor` as above. */
export async function loadFacts(
  reader: StoreReader,
  observation: ExactObservation,
  { policy, knownBases }: Pick<Surroundings, 'policy' | 'knownBases'>,
  filedFor?: string,
): Promise<Pick<Context, 'person' | 'device'>> {
  const device = await loadDevice(reader, devicePointer(observation, knownBases));
  const key = filedFor ?? unassignedKey(observation, device, policy);
  const person =
    key === undefined ? await loadPerson(reader, pointerOf(observation.subject, knownBases)) : await loadPersonByKey(reader, key);
  return { person, ...(device && { device }) };
}

/** The facts of a person who is known by key, for deriving anew. */
export async function loadPersonByKey(reader: StoreReader, key: string): Promise<PersonFacts> {
  const id = /^Patient\/(.+)$/.exec(key)?.[1];
  return id === undefined ? { key, known: false } : patientFacts(reader, id);
}

/** Whom a reference names, as far as the registry can tell; the key is empty when it names nobody. */
export async function loadPerson(reader: StoreReader, pointer: Pointer): Promise<PersonFacts> {
  if (pointer.kind === 'literal')
    return pointer.type === 'Patient' ? patientFacts(reader, await survivorOf(reader, pointer.id)) : { key: '', known: false };
  if (pointer.kind !== 'logical') return { key: '', known: false };
  const { id, ambiguous } = await personBehind(reader, pointer);
  if (ambiguous) return { key: logicalKey(pointer), known: false, ambiguous };
  return id === undefined ? { key: logicalKey(pointer), known: false } : patientFacts(reader, id);
}

async function patientFacts(reader: StoreReader, id: string): Promise<PersonFacts> {
  const key = `Patient/${id}`;
  const stored = await reader.current('Patient', id);
  return stored ? toPersonFacts(key, treeOf(stored) as unknown as Exact<fhir4.Patient>) : { key, known: false };
}

async function loadDevice(reader: StoreReader, pointer: Pointer): Promise<DeviceFacts | undefined> {
  const key = keyOf(pointer);
  if (key === undefined) return undefined;
  const id = await deviceId(reader, pointer);
  const stored = id === undefined ? undefined : await reader.current('Device', id);
  if (stored === undefined) return { key: id === undefined ? key : `Device/${id}`, known: false };
  return toDeviceFacts(`Device/${stored.id}`, treeOf(stored) as unknown as Exact<fhir4.Device>);
}

/** The Device behind a reference: itself, the source of a DeviceMetric, or the one with the identifier. */
async function deviceId(reader: StoreReader, pointer: Pointer): Promise<string | undefined> {
  if (pointer.kind === 'logical') {
    const [id, another] = await reader.idsByIdentifier('Device', pointer, 2);
    return another === undefined ? id : undefined;
  }
  if (pointer.kind !== 'literal') return undefined;
  if (pointer.type === 'Device') return pointer.id;
  const metric = pointer.type === 'DeviceMetric' ? await reader.current('DeviceMetric', pointer.id) : undefined;
  const source = metric && (treeOf(metric) as unknown as Exact<fhir4.DeviceMetric>).source?.reference;
  return source === undefined ? undefined : /^Device\/(.+)$/.exec(source)?.[1];
}
