/**
 * Names for what readings refer to by key: people, scales, chairs, wards. Each is looked up once in
 * the making of a page.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { Exact } from '../../core/json.ts';
import { logicalKey, pointerOf, pointerOfKey } from '../../core/pointers.ts';
import type { PersonFacts } from '../../core/reading.ts';
import { loadPersonByKey } from '../../ingest/context.ts';
import { OURS } from '../../core/terminology.ts';
import { deviceIdBehind } from '../../ingest/devices.ts';
import { treeOf } from '../../ingest/stored-tree.ts';
import type { StoreReader } from '../../ports.ts';
import { dayOf } from '../../review/words.ts';
import type { Named, PersonInWords } from '../../review/worklist.ts';

type Patient = Exact<fhir4.Patient>;
type Device = Exact<fhir4.Device>;

export interface KnownDevice extends Named {
  readonly ward?: Named;
}

export interface KnownPerson extends PersonInWords {
  readonly ward?: Named;
}

/** Not for longer than one page: what it looked up may change. */
export class Directory {
  readonly #read: StoreReader;
  readonly #knownBases: readonly string[];
  readonly #people = new Map<string, Promise<KnownPerson>>();
  readonly #devices = new Map<string, Promise<KnownDevice>>();

  constructor(read: StoreReader, knownBases: readonly string[]) {
    this.#read = read;
    this.#knownBases = knownBases;
  }

  person(key: string): Promise<KnownPerson> {
    return remembered(this.#people, key, () => this.#person(key));
  }

  device(key: string): Promise<KnownDevice> {
    return remembered(this.#devices, key, () => this.#device(key));
  }

  /** What judging knows of somebody. */
  facts(key: string): Promise<PersonFacts> {
    return loadPersonByKey(this.#read, key, this.#knownBases);
  }

  async #person(key: string): Promise<KnownPerson> {
    const id = /^Patient\/(.+)$/.exec(key)?.[1];
    const stored = id === undefined ? undefined : await this.#read.current('Patient', id);
    if (stored === undefined) return { key, name: nameOfKey(key) };
    const patient = treeOf(stored) as unknown as Patient;
    const ward = wardOf(patient.extension?.find(({ url }) => url === OURS.currentLocationExtension)?.valueReference);
    return { ...personInWords(key, patient), ...(ward && { ward }) };
  }

  async #device(key: string): Promise<KnownDevice> {
    const pointer = pointerOfKey(key);
    const id = pointer && (await deviceIdBehind(this.#read, pointer, this.#knownBases));
    const stored = id === undefined ? undefined : await this.#read.current('Device', id);
    if (stored === undefined) return { key, name: nameOfKey(key) };
    const device = treeOf(stored) as unknown as Device;
    const ward = wardOf(device.location);
    return { key: `Device/${stored.id}`, name: nameOfDevice(device, stored.id), ...(ward && { ward }) };
  }
}

export function personInWords(key: string, { name = [], birthDate, identifier = [] }: Patient): PersonInWords {
  const [first] = name;
  const written = [...(first?.given ?? []), first?.family].filter((part) => part !== undefined && part !== '').join(' ');
  const shown = written === '' ? (first?.text ?? '') : written;
  const known = identifier.find(({ value }) => value !== undefined)?.value;
  return {
    key,
    name: shown === '' ? nameOfKey(key) : shown,
    ...(birthDate !== undefined && { born: bornWords(birthDate) }),
    identifier: known ?? nameOfKey(key),
  };
}

/** A year alone, or a year and a month, stay what they are. */
function bornWords(birthDate: string): string {
  const ms = birthDate.length === 10 ? Date.parse(birthDate) : NaN;
  return `born ${Number.isNaN(ms) ? birthDate : dayOf(ms, 'UTC')}`;
}

export function nameOfDevice({ deviceName = [], type, identifier }: Device, id: string): string {
  const friendly = deviceName.find(({ type: kind }) => kind === 'user-friendly-name') ?? deviceName[0];
  return friendly?.name ?? type?.text ?? type?.coding?.[0]?.display ?? identifier?.[0]?.value ?? id;
}

function wardOf(reference: Exact<fhir4.Reference> | undefined): Named | undefined {
  const pointer = pointerOf(reference, []);
  if (pointer.kind === 'literal') return { key: `${pointer.type}/${pointer.id}`, name: reference?.display ?? pointer.id };
  if (pointer.kind === 'logical') return { key: logicalKey(pointer), name: reference?.display ?? pointer.value };
  return undefined;
}

/** The last part of a key: the id, or the value of an identifier. */
export function nameOfKey(key: string): string {
  const pointer = pointerOfKey(key);
  if (pointer === undefined) return key;
  return pointer.kind === 'literal' ? pointer.id : pointer.value;
}

function remembered<Value>(known: Map<string, Promise<Value>>, key: string, find: () => Promise<Value>): Promise<Value> {
  const found = known.get(key) ?? find();
  known.set(key, found);
  return found;
}
