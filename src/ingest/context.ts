/** Loads what a judgement depends on, from the store as it is at that moment. */
import type * as fhir4 from 'fhir/r4.js';
import { parseExactJson, type Exact, type JsonObject } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import { devicePointer, keyOf, logicalKey, pointerOf, type Pointer } from '../core/pointers.ts';
import type { GrowthTables } from '../core/growth/tables.ts';
import type { Policy } from '../core/policy.ts';
import type { Context, DeviceFacts, PersonFacts } from '../core/reading.ts';
import { toDeviceFacts, toPersonFacts } from '../core/registry.ts';
import type { Clock, StoredResource, StoreReader } from '../ports.ts';

/** The fixed surroundings of every judgement of this process. */
export interface Surroundings {
  readonly clock: Clock;
  readonly policy: Policy;
  /** The growth tables that an operator supplied. */
  readonly growth?: GrowthTables;
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
  { clock, policy, growth, knownBases }: Surroundings,
  filedFor?: string,
): Promise<Context> {
  const person =
    filedFor === undefined ? await loadPerson(reader, pointerOf(observation.subject, knownBases)) : await loadPersonByKey(reader, filedFor);
  const device = await loadDevice(reader, devicePointer(observation, knownBases));
  const [history, standing] =
    person.key === '' ? [[], []] : [await reader.readingsOf(person.key), await reader.standingDerivedOf(person.key)];
  return {
    nowMs: clock.nowMs(),
    policy,
    ...(growth && { growth }),
    knownBases,
    ...place,
    person,
    ...(device && { device }),
    history: history.filter(({ id }) => id !== place.id),
    standing,
  };
}

/** The facts of a person who is known by key, for deriving anew. */
export async function loadPersonByKey(reader: StoreReader, key: string): Promise<PersonFacts> {
  const id = /^Patient\/(.+)$/.exec(key)?.[1];
  return id === undefined ? { key, known: false } : patientFacts(reader, id);
}

async function loadPerson(reader: StoreReader, pointer: Pointer): Promise<PersonFacts> {
  if (pointer.kind === 'literal') return pointer.type === 'Patient' ? patientFacts(reader, pointer.id) : { key: '', known: false };
  if (pointer.kind !== 'logical') return { key: '', known: false };
  const [id, another] = await reader.idsByIdentifier('Patient', pointer, 2);
  if (another !== undefined) return { key: logicalKey(pointer), known: false, ambiguous: true };
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
