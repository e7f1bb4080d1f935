/** Stores what an evaluation concluded, with everything that goes with it, in one unit of work. */
import type * as fhir4 from 'fhir/r4.js';
import type { Derived } from '../core/derive/difference.ts';
import type { Evaluation } from '../core/evaluate.ts';
import { toInstant } from '../core/fhir-time.ts';
import { toOperationOutcome, type Finding } from '../core/finding.ts';
import { stringifyExact, type JsonObject } from '../core/json.ts';
import { isHeld, type ExactObservation } from '../core/observation.ts';
import type { Context } from '../core/reading.ts';
import type { StoredResource, StoreWriter, VersionedReference } from '../ports.ts';
import { treeOf } from './context.ts';

export interface Recorded {
  /** The weight or height, when one was stored. */
  readonly resource?: StoredResource;
  readonly derived: readonly StoredResource[];
}

interface Sending {
  /** False when no EHR is configured: then nothing piles up. */
  readonly forwards: boolean;
  readonly nowMs: number;
}

/** Writes reading, BMI and Provenances, and queues what the EHR is to get. */
export async function record(writer: StoreWriter, evaluation: Evaluation, context: Context, sending: Sending): Promise<Recorded> {
  const { stored, derived } = evaluation;
  const toSend: VersionedReference[] = [];
  let resource: StoredResource | undefined;
  if (stored) {
    resource = await writer.putObservation(context.id, stored.observation as unknown as JsonObject, stored.facts);
    const provenance = await putProvenance(writer, stored.provenance, context.id);
    const isSent = !stored.facts.held && (stored.facts.status !== 'entered-in-error' || (await wasEverValid(writer, context)));
    if (isSent) toSend.push(versioned(resource), versioned(provenance));
  }
  const bmi = await putDerived(writer, derived, toSend);
  await send(writer, context.person.key, toSend, concerned(context.id, derived), sending);
  return { ...(resource && { resource }), derived: bmi };
}

/** Writes BMI that follow from something else than a reading (a birth date became known). */
export async function recordDerived(writer: StoreWriter, person: string, derived: readonly Derived[], sending: Sending): Promise<void> {
  const toSend: VersionedReference[] = [];
  await putDerived(writer, derived, toSend);
  await send(writer, person, toSend, concerned(undefined, derived), sending);
}

async function putDerived(writer: StoreWriter, derived: readonly Derived[], toSend: VersionedReference[]): Promise<StoredResource[]> {
  const stored: StoredResource[] = [];
  for (const { id, observation, facts, provenance } of derived) {
    const bmi = await writer.putObservation(id, observation as unknown as JsonObject, facts);
    toSend.push(versioned(bmi), versioned(await putProvenance(writer, provenance, id)));
    stored.push(bmi);
  }
  return stored;
}

function putProvenance(writer: StoreWriter, provenance: fhir4.Provenance, observationId: string): Promise<StoredResource> {
  const id = provenance.id as string;
  return writer.putRegistry('Provenance', id, provenance as unknown as JsonObject, {
    identifiers: [],
    references: [`Observation/${observationId}`],
  });
}

async function send(
  writer: StoreWriter,
  person: string,
  resources: readonly VersionedReference[],
  concerns: readonly string[],
  { forwards, nowMs }: Sending,
): Promise<void> {
  if (forwards && resources.length > 0) await writer.enqueue({ person, resources, concerns, queuedAt: toInstant(nowMs) });
}

function versioned({ type, id, version }: StoredResource): VersionedReference {
  return { type: type as VersionedReference['type'], id, version };
}

function concerned(readingId: string | undefined, derived: readonly Derived[]): string[] {
  const ids = derived.flatMap(({ id, facts }) => [id, ...facts.derivedFrom]);
  return [...new Set(readingId === undefined ? ids : [readingId, ...ids])];
}

/** A reading that was held all its life never reached the EHR, so neither need its withdrawal. */
async function wasEverValid(writer: StoreWriter, { id, replaces }: Context): Promise<boolean> {
  if (!replaces?.held) return true;
  const versions = await writer.history('Observation', id);
  return versions.some((version) => {
    const observation = treeOf(version) as unknown as ExactObservation;
    return !isHeld(observation) && observation.status !== 'entered-in-error';
  });
}

/** Keeps what was refused and why, apart from the Observations. */
export async function recordRefusal(
  writer: StoreWriter,
  id: string,
  text: string,
  findings: readonly Finding[],
  nowMs: number,
  policyVersion: string,
): Promise<void> {
  const outcome = stringifyExact(toOperationOutcome(findings, { policyVersion }));
  await writer.addRefusal({ id, receivedAt: toInstant(nowMs), text, outcome });
}
