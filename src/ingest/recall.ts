/**
 * A scale that was found wrong: every reading and BMI from it since then, in one call, and one that
 * marks them all in one unit of work, with everything that follows and a Provenance for each.
 */
import { setImmediate as nextTurn } from 'node:timers/promises';
import type * as fhir4 from 'fhir/r4.js';
import type { Effective } from '../core/fhir-time.ts';
import type { Exact } from '../core/json.ts';
import { logicalKeysOf } from '../core/pointers.ts';
import { isRecalled, recallConsequences, type RecallAction } from '../core/serial/recall.ts';
import { ServiceError } from '../errors.ts';
import type { ObservationSearch, StoredResource, StoreReader, StoreWriter } from '../ports.ts';
import { loadPersonByKey, type Surroundings } from './context.ts';
import { metersOf } from './devices.ts';
import { recordConsequences, type Cause } from './record.ts';
import { treeOf } from './stored-tree.ts';

export interface RecallOrder {
  /** A day without a time is that whole day in UTC, as in searches. */
  readonly since: Effective;
  readonly action: RecallAction;
  readonly reason: string;
  readonly who: fhir4.Reference;
}

/** A page of what a scale measured. */
export interface Affected {
  /** Weights and heights, withdrawn and held ones too, by time of measuring. */
  readonly readings: readonly StoredResource[];
  /** BMI derived from those readings, voided ones too. */
  readonly derived: readonly StoredResource[];
  /** How many readings there are on all pages. */
  readonly total: number;
  readonly next?: string;
}

/** What a recall did, by Observation id. */
export interface Recalled {
  /** Readings of the scale since then, whether or not they were marked before. */
  readonly affected: number;
  readonly marked: readonly string[];
  /** BMI that were voided, marked or derived anew because of it. */
  readonly derived: readonly string[];
  /** Readings of other scales that stand otherwise now. */
  readonly rejudged: readonly string[];
}

const LARGEST_PAGE = 1000;
/** A recall of this many people lets others, such as a health check, have a turn. */
const PEOPLE_A_TURN = 20;

/** Throws ServiceError ERR_NOT_FOUND when the scale is not registered, ERR_BAD_VALUE for a strange cursor. */
export async function affectedBy(
  reader: StoreReader,
  deviceId: string,
  since: Effective,
  page: Pick<ObservationSearch, 'count' | 'cursor'>,
): Promise<Affected> {
  const filter = await readingsOfScale(reader, deviceId, since);
  const { resources, next } = await reader.searchObservations({ ...filter, sort: BY_TIME, ...page });
  return {
    readings: resources,
    derived: await derivedFrom(
      reader,
      resources.map(({ id }) => id),
    ),
    total: await reader.countObservations(filter),
    ...(next !== undefined && { next }),
  };
}

const BY_TIME = [{ by: 'date', descending: false }] as const;

/** Named by its id, by an identifier before it was registered, or by one of its meters. */
async function readingsOfScale(
  reader: StoreReader,
  id: string,
  { startMs }: Effective,
): Promise<Omit<ObservationSearch, 'sort' | 'count' | 'cursor'>> {
  const stored = await reader.current('Device', id);
  if (stored === undefined)
    throw new ServiceError('ERR_NOT_FOUND', 'No such scale is registered; send the Device first, then ask for its readings.');
  const device = treeOf(stored) as unknown as Exact<fhir4.Device>;
  const meters = await metersOf(reader, id, device);
  return {
    devices: [`Device/${id}`, ...logicalKeysOf(device), ...meters.map((meter) => `DeviceMetric/${meter.id}`)],
    // a reading of a day without a time may have been taken after the instant
    dates: [{ comparator: 'ge', startMs, endMs: startMs }],
    includeHeld: true,
  };
}

async function derivedFrom(reader: StoreReader, ids: readonly string[]): Promise<readonly StoredResource[]> {
  const found: StoredResource[] = [];
  let cursor: string | undefined;
  if (ids.length === 0) return found;
  do {
    const page: Awaited<ReturnType<StoreReader['searchObservations']>> = await reader.searchObservations({
      derivedFrom: ids,
      includeHeld: true,
      sort: BY_TIME,
      count: LARGEST_PAGE,
      ...(cursor !== undefined && { cursor }),
    });
    found.push(...page.resources);
    cursor = page.next;
  } while (cursor !== undefined);
  return found;
}

/**
 * Marks every reading of a scale since a time. Called again it finds nothing left to mark.
 * Throws ServiceError ERR_NOT_FOUND when the scale is not registered.
 */
export async function recallScale(
  writer: StoreWriter,
  deviceId: string,
  { since, action, who, reason }: RecallOrder,
  { clock, policy, knownBases, growth, forwards, call }: Surroundings & Cause,
): Promise<Recalled> {
  const { affected, byPerson } = await waitingForMark(writer, deviceId, since, action);
  const done = { marked: [] as string[], derived: [] as string[], rejudged: [] as string[] };
  let served = 0;
  for (const [key, ids] of byPerson) {
    const context = {
      nowMs: clock.nowMs(),
      policy,
      ...(growth && { growth }),
      knownBases,
      person: await loadPersonByKey(writer, key, knownBases),
      history: await writer.readingsOf(key),
      standing: await writer.standingDerivedOf(key),
      decidedBy: { who, reason },
    };
    const { rejudged, derived } = recallConsequences(context, ids, action);
    await recordConsequences(writer, key, { rejudged, derived }, context, { forwards, nowMs: context.nowMs, call });
    for (const { before } of rejudged) (ids.has(before.id) ? done.marked : done.rejudged).push(before.id);
    done.derived.push(...derived.map(({ id }) => id));
    if ((served += 1) % PEOPLE_A_TURN === 0) await nextTurn();
  }
  return { affected, ...done };
}

/** Ids of the readings that are still to be marked, by person. */
async function waitingForMark(
  writer: StoreWriter,
  deviceId: string,
  since: Effective,
  action: RecallAction,
): Promise<{ readonly affected: number; readonly byPerson: ReadonlyMap<string, ReadonlySet<string>> }> {
  const filter = await readingsOfScale(writer, deviceId, since);
  const byPerson = new Map<string, Set<string>>();
  let affected = 0;
  let cursor: string | undefined;
  do {
    const page: Awaited<ReturnType<StoreReader['searchObservations']>> = await writer.searchObservations({
      ...filter,
      sort: BY_TIME,
      count: LARGEST_PAGE,
      ...(cursor !== undefined && { cursor }),
    });
    affected += page.resources.length;
    for (const { id } of page.resources) {
      const reading = await writer.readingOf(id);
      if (reading === undefined || isRecalled(reading, action)) continue;
      byPerson.set(reading.person, (byPerson.get(reading.person) ?? new Set()).add(id));
    }
    cursor = page.next;
  } while (cursor !== undefined);
  return { affected, byPerson };
}
