/** Reads what is known of scales, and of the chairs that are weighed along. */
import type * as fhir4 from 'fhir/r4.js';
import { stateAt, type ScaleCheck } from '../../core/calibration.ts';
import { toShortestText } from '../../core/decimal.ts';
import { DAY_MS } from '../../core/fhir-time.ts';
import type { Exact } from '../../core/json.ts';
import { logicalKeysOf } from '../../core/pointers.ts';
import type { DeviceFacts, Reading } from '../../core/reading.ts';
import { HELD_TAG } from '../../core/terminology.ts';
import { tareKindOf, tareMassOf } from '../../core/tare.ts';
import { TARE_KINDS } from '../../core/tare-kinds.ts';
import { loadDevice, ownerOf } from '../../ingest/devices.ts';
import { treeOf } from '../../ingest/stored-tree.ts';
import type { ObservationSearch, StoredResource } from '../../ports.ts';
import type { ChairInWords, ScaleInWords, ScaleList } from '../../review/scales.ts';
import { ageWords, amount, measuredAt, UNIT_WORDS, withUnit } from '../../review/words.ts';
import { nameOfDevice, type Directory } from './directory.ts';
import type { ReadingSurroundings } from './load-reading.ts';

type Device = Exact<fhir4.Device>;

/** A ward has a handful; a hospital with more looks at one by its address. */
const MOST_SHOWN = 100;
const RATE_DAYS = 30;

export interface ScalesSurroundings extends ReadingSurroundings {
  readonly knownBases: readonly string[];
}

export async function loadScales(surroundings: ScalesSurroundings): Promise<ScaleList> {
  const { resources, next } = await surroundings.read.searchRegistry('Device', { count: MOST_SHOWN });
  const scales: ScaleInWords[] = [];
  const chairs: ChairInWords[] = [];
  for (const stored of resources) {
    const device = treeOf(stored) as unknown as Device;
    if (tareMassOf(device) === undefined && tareKindOf(device) === undefined) scales.push(await loadScale(stored, surroundings));
    else chairs.push(await chairInWords(stored, device, surroundings));
  }
  return { scales: byName(scales), chairs: byName(chairs), isCut: next !== undefined };
}

function byName<One extends { readonly name: string }>(list: readonly One[]): One[] {
  return [...list].sort((a, b) => a.name.localeCompare(b.name, 'en'));
}

export async function loadScale(stored: StoredResource, surroundings: ScalesSurroundings): Promise<ScaleInWords> {
  const device = treeOf(stored) as unknown as Device;
  const key = `Device/${stored.id}`;
  const { read, directory, knownBases } = surroundings;
  const { name, ward } = await directory.device(key);
  const facts = await loadDevice(read, { kind: 'literal', type: 'Device', id: stored.id }, knownBases);
  const last = (await readingsOfScale(stored, 1, surroundings))[0];
  return {
    key,
    id: stored.id,
    name,
    kind: device.type?.coding?.[0]?.display ?? device.type?.text ?? 'not said',
    ward: ward?.name ?? 'not said',
    isInUse: device.status !== 'inactive' && device.status !== 'entered-in-error',
    zeroCheck: checkWords(facts, 'zero', surroundings),
    calibration: checkWords(facts, 'calibration', surroundings),
    division: facts?.division ? withUnit(toShortestText(facts.division.value), UNIT_WORDS[facts.division.unit]) : 'not said',
    lastReading: last ? `${last.quantity ? amount(last.quantity) : 'no value'}, ${measuredAt(last.effective, surroundings.zone)}` : 'none',
    heldRate: await heldRate(stored, surroundings),
  };
}

/** What the meters of a scale say of now; the oldest of the last checks counts, as it does for a reading. */
function checkWords(facts: DeviceFacts | undefined, kind: 'zero' | 'calibration', { nowMs, zone }: ReadingSurroundings): string {
  const checks: readonly ScaleCheck[] = facts?.checks ?? [];
  const effective = { text: '', startMs: nowMs, endMs: nowMs, precision: 'time' as const };
  const states = (['weight', 'height'] as const).map((of) => stateAt(checks, kind, { of, effective }));
  if (states.some(({ failed }) => failed !== undefined)) return 'failed, or has to be done';
  const last = states.flatMap(({ last: at }) => at ?? [])[0];
  return last ? `${measuredAt(last.at, zone)} (${ageWords(nowMs - last.at.startMs)} ago)` : 'not said';
}

/** Of the scale as it is named by id or by an identifier. */
function filterOf(stored: StoredResource): Pick<ObservationSearch, 'devices' | 'includeHeld'> {
  return { devices: [`Device/${stored.id}`, ...logicalKeysOf(treeOf(stored))], includeHeld: true };
}

/** The newest first. */
export async function readingsOfScale(stored: StoredResource, count: number, { read }: ScalesSurroundings): Promise<Reading[]> {
  const { resources } = await read.searchObservations({ ...filterOf(stored), sort: [{ by: 'date', descending: true }], count });
  const readings = await Promise.all(resources.map(({ id }) => read.readingOf(id)));
  return readings.flatMap((reading) => reading ?? []);
}

async function heldRate(stored: StoredResource, { read, nowMs }: ScalesSurroundings): Promise<string> {
  const startMs = nowMs - RATE_DAYS * DAY_MS;
  const lately = { ...filterOf(stored), dates: [{ comparator: 'ge' as const, startMs, endMs: startMs }] };
  const all = await read.countObservations(lately);
  if (all === 0) return 'no reading';
  const held = await read.countObservations({ ...lately, tags: [{ system: HELD_TAG.system, value: HELD_TAG.code }] });
  return `${held} of ${all} (${withUnit(String(Math.round((held * 100) / all)), '%')})`;
}

async function chairInWords(
  stored: StoredResource,
  device: Device,
  { read, directory, zone, knownBases }: ScalesSurroundings,
): Promise<ChairInWords> {
  const tare = tareMassOf(device);
  const kind = tareKindOf(device);
  return {
    key: `Device/${stored.id}`,
    name: nameOfDevice(device, stored.id),
    kind: kind ? TARE_KINDS[kind] : 'not said',
    tare: typeof tare === 'object' ? amount(tare.mass) : 'not known',
    established: typeof tare === 'object' ? measuredAt(tare.establishedAt, zone) : 'not said',
    person: await ownerName(read, device, directory, knownBases),
  };
}

async function ownerName(
  read: ReadingSurroundings['read'],
  device: Device,
  directory: Directory,
  knownBases: readonly string[],
): Promise<string> {
  const owner = device.patient && (await ownerOf(read, device, knownBases));
  return owner === undefined ? "the ward's" : (await directory.person(owner)).name;
}
