/** What the store knows of scales, of their meters, and of chairs. */
import type * as fhir4 from 'fhir/r4.js';
import { checksOf, type ScaleCheck } from '../core/calibration.ts';
import type { Exact, JsonObject } from '../core/json.ts';
import { keyOf, logicalKey, logicalKeysOf, pointerOf, UNRESOLVED, type Pointer } from '../core/pointers.ts';
import type { Quantity } from '../core/quantity.ts';
import type { DeviceFacts, TareFacts } from '../core/reading.ts';
import { replacedBy, toDeviceFacts } from '../core/registry.ts';
import { compareText } from '../core/serial/order.ts';
import { tareMassOf, toTareFacts } from '../core/tare.ts';
import type { StoredResource, StoreReader } from '../ports.ts';
import { treeOf } from './stored-tree.ts';

/** More chairs of one person, or meters of one scale, than anybody has. */
const MOST = 200;

type Device = Exact<fhir4.Device>;

/** What a registry resource refers to, as keys that it is found by: whose a Device is, the Device of a meter, who replaces a Patient. */
export function registryReferences(
  type: 'Patient' | 'Device' | 'DeviceMetric',
  resource: JsonObject,
  knownBases: readonly string[],
): string[] {
  if (type === 'Patient') {
    const replacement = replacedBy(resource as unknown as Exact<fhir4.Patient>, knownBases);
    return replacement === undefined ? [] : [`Patient/${replacement}`];
  }
  const { patient } = resource as unknown as Device;
  const { source } = resource as unknown as Exact<fhir4.DeviceMetric>;
  const key = keyOf(pointerOf(type === 'Device' ? patient : source, knownBases));
  return key === undefined ? [] : [key];
}

export async function loadDevice(reader: StoreReader, pointer: Pointer, knownBases: readonly string[]): Promise<DeviceFacts | undefined> {
  const key = keyOf(pointer);
  if (key === undefined) return undefined;
  const { id, stored } = await find(reader, pointer, knownBases);
  if (stored === undefined) return { key: id === undefined ? key : `Device/${id}`, known: false };
  const device = treeOf(stored) as unknown as Device;
  const checks = await checksFor(reader, stored.id, device);
  return toDeviceFacts(`Device/${stored.id}`, device, { knownBases, checks });
}

/** The facts of each thing that a reading names as subtracted, each once, in the order of their keys. */
export async function loadTareDevices(
  reader: StoreReader,
  pointers: readonly Pointer[],
  knownBases: readonly string[],
): Promise<readonly TareFacts[]> {
  const found = new Map<string, TareFacts>();
  for (const pointer of pointers) {
    const facts = await loadTareDevice(reader, pointer, knownBases);
    found.set(facts.key, facts);
  }
  return [...found.values()].sort((a, b) => compareText(a.key, b.key));
}

async function loadTareDevice(reader: StoreReader, pointer: Pointer, knownBases: readonly string[]): Promise<TareFacts> {
  const { id, stored } = await find(reader, pointer, knownBases);
  if (stored === undefined) return { key: id === undefined ? (keyOf(pointer) ?? UNRESOLVED) : `Device/${id}`, known: false };
  const device = treeOf(stored) as unknown as Device;
  return toTareFacts(`Device/${stored.id}`, device, await ownerOf(reader, device, knownBases));
}

/** Key of the person whose a Device is: the Patient behind an identifier, where one is known. */
export async function ownerOf(reader: StoreReader, { patient }: Device, knownBases: readonly string[]): Promise<string | undefined> {
  const pointer = pointerOf(patient, knownBases);
  if (pointer.kind !== 'logical') return keyOf(pointer);
  const [id, another] = await reader.idsByIdentifier('Patient', pointer, 2);
  return id === undefined || another !== undefined ? logicalKey(pointer) : `Patient/${id}`;
}

/**
 * Masses of the chairs, cushions, slings and linen that are registered for a person, in the order of their ids.
 *
 * @param keys under which a Device may name the person
 */
export async function chairsOf(reader: StoreReader, keys: readonly string[]): Promise<readonly Quantity[]> {
  const { resources } = await reader.searchRegistry('Device', { references: keys, count: MOST });
  return [...resources]
    .sort((a, b) => compareText(a.id, b.id))
    .flatMap((stored) => {
      const device = treeOf(stored) as unknown as Device;
      const tare = device.status === 'entered-in-error' ? undefined : tareMassOf(device);
      return typeof tare === 'object' ? [tare.mass] : [];
    });
}

/** The meters of a scale, in the order of their ids. */
export async function metersOf(reader: StoreReader, id: string, device: Device): Promise<readonly StoredResource[]> {
  const references = [`Device/${id}`, ...logicalKeysOf(device)];
  const { resources } = await reader.searchRegistry('DeviceMetric', { references, count: MOST });
  return [...resources].sort((a, b) => compareText(a.id, b.id));
}

async function checksFor(reader: StoreReader, id: string, device: Device): Promise<ScaleCheck[]> {
  const meters = await metersOf(reader, id, device);
  return meters.flatMap((meter) => checksOf(`DeviceMetric/${meter.id}`, treeOf(meter) as unknown as Exact<fhir4.DeviceMetric>));
}

interface Found {
  readonly id?: string;
  readonly stored?: StoredResource;
}

async function find(reader: StoreReader, pointer: Pointer, knownBases: readonly string[]): Promise<Found> {
  const id = await deviceIdBehind(reader, pointer, knownBases);
  const stored = id === undefined ? undefined : await reader.current('Device', id);
  return { ...(id !== undefined && { id }), ...(stored && { stored }) };
}

/** The Device behind a reference: itself, the source of a DeviceMetric, or the one with the identifier. */
export async function deviceIdBehind(reader: StoreReader, pointer: Pointer, knownBases: readonly string[]): Promise<string | undefined> {
  if (pointer.kind === 'logical') {
    const [id, another] = await reader.idsByIdentifier('Device', pointer, 2);
    return another === undefined ? id : undefined;
  }
  if (pointer.kind !== 'literal') return undefined;
  if (pointer.type === 'Device') return pointer.id;
  const metric = pointer.type === 'DeviceMetric' ? await reader.current('DeviceMetric', pointer.id) : undefined;
  if (metric === undefined) return undefined;
  const source = pointerOf((treeOf(metric) as unknown as Exact<fhir4.DeviceMetric>).source, knownBases);
  if (source.kind === 'logical') return deviceIdBehind(reader, source, knownBases);
  return source.kind === 'literal' && source.type === 'Device' ? source.id : undefined;
}
