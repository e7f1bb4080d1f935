/**
 * Readings that arrived in one message without a place of their own: each is judged by itself and a
 * refused one takes no sound one with it, but all that is stored is stored in one commit.
 *
 * There is no address to correct a reading at, so what it puts right is found by its sender's
 * identifier.
 */
import { isDeepStrictEqual } from 'node:util';
import { setImmediate as nextTurn } from 'node:timers/promises';
import { conformObservation } from '../core/conform.ts';
import { statusAsSent } from '../core/enrich/marks.ts';
import { contentFingerprintOf, identifierKeyOf } from '../core/fingerprint.ts';
import { stringifyExact, type JsonObject } from '../core/json.ts';
import { codedMeasure, toReading, type ExactObservation } from '../core/observation.ts';
import { devicePointer, pointerOf } from '../core/pointers.ts';
import { ServiceError } from '../errors.ts';
import type { StoredResource, StoreReader, StoreWriter } from '../ports.ts';
import { refused, type IntakeAnswer, type Taken } from './answer.ts';
import { recorded } from './audit.ts';
import type { BundleWork } from './bundle.ts';
import { correctReading, createReading } from './reading.ts';
import { checkMaySend } from './senders.ts';
import { treeOf } from './stored-tree.ts';

export interface SentReading {
  readonly observation: JsonObject;
  /**
   * Which stored reading with the same identifier it takes the place of: any one (it corrects or
   * withdraws), or one that its sender called preliminary. Another one is a resend or a conflict.
   */
  readonly replaces: 'any' | 'preliminary';
}

/** The answer to one of the readings, in the terms of a call of its own; the error when that call would have ended in one. */
export type OneOfSeveral = (IntakeAnswer & { readonly isCorrection: boolean }) | ServiceError;

/** So many readings let others, such as a health check, have a turn. */
const READINGS_A_TURN = 20;

type Conformed = ReturnType<typeof conformObservation>;

/** @throws ServiceError ERR_FORBIDDEN when the caller has no scale at all; StoreUnavailable, and then nothing is stored */
export async function takeSeveral(readings: readonly SentReading[], work: BundleWork): Promise<readonly OneOfSeveral[]> {
  checkMaySend(work);
  const conformed: Conformed[] = [];
  for (const [index, { observation }] of readings.entries()) {
    if (index % READINGS_A_TURN === READINGS_A_TURN - 1) await nextTurn();
    conformed.push(conformObservation(observation));
  }
  const answers = await work.store.write(async (writer) => {
    const taken = new Array<OneOfSeveral>(readings.length);
    let served = 0;
    for (const index of inOrder(conformed)) {
      taken[index] = await one(writer, readings[index] as SentReading, conformed[index] as Conformed, work);
      if ((served += 1) % READINGS_A_TURN === 0) await nextTurn();
    }
    return taken;
  });
  if (answers.some((answer) => 'resource' in answer)) work.onStored();
  return answers;
}

/** Of one message, heights before weights and BMI last, so that a BMI meets what it was made from. */
function inOrder(conformed: readonly Conformed[]): number[] {
  const turns = conformed.map((one) => {
    const of = one.ok ? codedMeasure(one.resource)?.of : undefined;
    return of === 'height' ? 0 : of === 'bmi' ? 2 : 1;
  });
  return [...conformed.keys()].sort((a, b) => (turns[a] ?? 0) - (turns[b] ?? 0) || a - b);
}

/** What a ServiceError is thrown for is looked at before anything is written, so the others of the unit may go on. */
async function one(writer: StoreWriter, sent: SentReading, conformed: Conformed, work: BundleWork): Promise<OneOfSeveral> {
  try {
    const text = stringifyExact(sent.observation);
    const before = conformed.ok ? await storedBefore(writer, conformed.resource, sent.replaces) : undefined;
    if (!conformed.ok || before === undefined || (await saysTheSame(writer, before, work.knownBases))) {
      const undertaking = { interaction: 'create', text, sent: sent.observation } as const;
      const act = (): Promise<Taken> => create(writer, before ? { ok: true, resource: before.observation } : conformed, work);
      return told(await recorded(writer, undertaking, work, act), false);
    }
    const { stored, observation } = before;
    const undertaking = { interaction: 'update', text, sent: sent.observation, concerns: [`Observation/${stored.id}`] } as const;
    const act = (): Promise<Taken> => correctReading(writer, { ...observation, id: stored.id }, stored.id, stored.version, work);
    return told(await recorded(writer, undertaking, work, act), true);
  } catch (error) {
    if (error instanceof ServiceError) return error;
    throw error;
  }
}

function told({ findings: _findings, ...answer }: Taken, isCorrection: boolean): OneOfSeveral {
  return { ...answer, isCorrection };
}

async function create(writer: StoreWriter, conformed: Conformed, work: BundleWork): Promise<Taken> {
  if (!conformed.ok) return refused(conformed.findings, work);
  return createReading(writer, conformed.resource, work.newId(), undefined, work);
}

/** A withdrawal may leave the value out; what is withdrawn goes on saying what it said. */
function withValueOf(before: ExactObservation, observation: ExactObservation): ExactObservation {
  const { valueQuantity } = before;
  if (observation.status !== 'entered-in-error' || observation.valueQuantity !== undefined || valueQuantity === undefined)
    return observation;
  const { dataAbsentReason: _reason, ...withdrawn } = observation;
  return { ...withdrawn, valueQuantity };
}

interface Before {
  readonly stored: StoredResource;
  /** What takes its place. */
  readonly observation: ExactObservation;
}

/** The stored reading that this one is meant to take the place of; undefined when it is new, a resend, or at odds with what is stored. */
async function storedBefore(
  reader: StoreReader,
  observation: ExactObservation,
  replaces: SentReading['replaces'],
): Promise<Before | undefined> {
  for (const { system, value } of observation.identifier ?? []) {
    if (system === undefined || value === undefined) continue;
    const [id] = await reader.idsByFingerprint(identifierKeyOf(system, value));
    const stored = id === undefined ? undefined : await reader.current('Observation', id);
    if (stored === undefined) continue;
    const before = treeOf(stored) as unknown as ExactObservation;
    if (replaces === 'preliminary' && statusAsSent(before) !== 'preliminary') return undefined;
    return { stored, observation: withValueOf(before, observation) };
  }
  return undefined;
}

/** A correction that was sent twice changes nothing. Only the version in force counts: it may be corrected back to what an earlier one said. */
async function saysTheSame(reader: StoreReader, { stored, observation }: Before, knownBases: readonly string[]): Promise<boolean> {
  const reading = await reader.readingOf(stored.id);
  if (reading === undefined) return false;
  const before = treeOf(stored) as unknown as ExactObservation;
  const { id, version, person, device } = reading;
  const now = toReading(observation, { id, version, person, ...(device !== undefined && { device }) });
  return (
    now !== undefined &&
    contentFingerprintOf(now) === contentFingerprintOf({ ...reading, status: statusAsSent(before) }) &&
    isDeepStrictEqual(pointerOf(before.subject, knownBases), pointerOf(observation.subject, knownBases)) &&
    isDeepStrictEqual(devicePointer(before, knownBases), devicePointer(observation, knownBases))
  );
}
