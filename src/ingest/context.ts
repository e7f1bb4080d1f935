/** Loads what a judgement depends on, from the store as it is at that moment. */
import type * as fhir4 from 'fhir/r4.js';
import type { Exact } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import type { GrowthTables } from '../core/growth/tables.ts';
import { devicePointer, logicalKey, logicalKeysOf, pointerOf, tarePointers, type Pointer } from '../core/pointers.ts';
import type { Policy } from '../core/policy.ts';
import type { Context, PersonFacts } from '../core/reading.ts';
import { toPersonFacts } from '../core/registry.ts';
import { isUnassigned, unassignedKey } from '../core/unassigned.ts';
import type { Clock, StoreReader } from '../ports.ts';
import { chairsOf, loadDevice, loadTareDevices } from './devices.ts';
import { treeOf } from './stored-tree.ts';
import { personBehind, survivorOf } from './survivor.ts';

/** The surroundings of every judgement of one piece of work. */
export interface Surroundings {
  readonly clock: Clock;
  readonly policy: Policy;
  /** The growth tables that an operator supplied. */
  readonly growth?: GrowthTables;
  readonly knownBases: readonly string[];
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
  const facts = await loadFacts(reader, observation, { policy, knownBases }, filedFor);
  const { person } = facts;
  // what is kept for a place is of several people: none of it is anybody's history
  const [history, standing] =
    person.key === '' || isUnassigned(person.key)
      ? [[], []]
      : [await reader.readingsOf(person.key), await reader.standingDerivedOf(person.key)];
  return {
    nowMs: clock.nowMs(),
    policy,
    ...(growth && { growth }),
    knownBases,
    ...place,
    ...facts,
    history: history.filter(({ id }) => id !== place.id),
    standing,
  };
}

/** What is known now of the person, the scale and the chairs of an Observation; `filedFor` as above. */
export async function loadFacts(
  reader: StoreReader,
  observation: ExactObservation,
  { policy, knownBases }: Pick<Surroundings, 'policy' | 'knownBases'>,
  filedFor?: string,
): Promise<Pick<Context, 'person' | 'device' | 'tareDevices'>> {
  const device = await loadDevice(reader, devicePointer(observation, knownBases), knownBases);
  const tareDevices = await loadTareDevices(reader, tarePointers(observation, knownBases), knownBases);
  const key = filedFor ?? unassignedKey(observation, device, policy);
  const person =
    key === undefined
      ? await loadPerson(reader, pointerOf(observation.subject, knownBases), knownBases)
      : await loadPersonByKey(reader, key, knownBases);
  return { person, ...(device && { device }), ...(tareDevices.length > 0 && { tareDevices }) };
}

/** The facts of a person who is known by key, for deriving anew. */
export async function loadPersonByKey(reader: StoreReader, key: string, knownBases: readonly string[]): Promise<PersonFacts> {
  const id = /^Patient\/(.+)$/.exec(key)?.[1];
  return id === undefined ? unknownPerson(reader, key) : patientFacts(reader, id, knownBases);
}

/** Whom a reference names, as far as the registry can tell; the key is empty when it names nobody. */
export async function loadPerson(reader: StoreReader, pointer: Pointer, knownBases: readonly string[]): Promise<PersonFacts> {
  if (pointer.kind === 'literal')
    return pointer.type === 'Patient' ? patientFacts(reader, await survivorOf(reader, pointer.id), knownBases) : { key: '', known: false };
  if (pointer.kind !== 'logical') return { key: '', known: false };
  const { id, ambiguous } = await personBehind(reader, pointer);
  if (ambiguous) return { key: logicalKey(pointer), known: false, ambiguous };
  return id === undefined ? unknownPerson(reader, logicalKey(pointer)) : patientFacts(reader, id, knownBases);
}

async function patientFacts(reader: StoreReader, id: string, knownBases: readonly string[]): Promise<PersonFacts> {
  const key = `Patient/${id}`;
  const stored = await reader.current('Patient', id);
  if (stored === undefined) return unknownPerson(reader, key);
  const patient = treeOf(stored) as unknown as Exact<fhir4.Patient>;
  const chairs = await chairsOf(reader, [key, ...logicalKeysOf(patient)]);
  return toPersonFacts(key, patient, { knownBases, chairs });
}

/** Somebody of whom nothing was told may have a chair all the same. */
async function unknownPerson(reader: StoreReader, key: string): Promise<PersonFacts> {
  const chairs = await chairsOf(reader, [key]);
  return { key, known: false, ...(chairs.length > 0 && { chairs }) };
}
