/** Stores what an evaluation concluded, with everything that goes with it, in one unit of work. */
import type * as fhir4 from 'fhir/r4.js';
import type { Call } from '../caller.ts';
import type { Derived } from '../core/derive/difference.ts';
import type { Addition } from '../core/enrich/enrich.ts';
import { withStanding } from '../core/enrich/marks.ts';
import type { Evaluation } from '../core/evaluate.ts';
import { factsOfReading } from '../core/facts.ts';
import { toInstant } from '../core/fhir-time.ts';
import { toOperationOutcome, type Finding } from '../core/finding.ts';
import { stringifyExact, type JsonObject } from '../core/json.ts';
import { isHeld, isRepeat, type ExactObservation } from '../core/observation.ts';
import { additionsIn, entity, instructedBy, provenanceId, toProvenance, type DecidedBy } from '../core/provenance.ts';
import type { Context, Instruction, Reading } from '../core/reading.ts';
import type { Rejudged } from '../core/serial/rejudged.ts';
import type { StoredResource, StoreReader, StoreWriter, VersionedReference } from '../ports.ts';
import { treeOf } from './stored-tree.ts';

export interface Recorded {
  /** The weight or height, when one was stored. */
  readonly resource?: StoredResource;
  readonly derived: readonly StoredResource[];
}

/** What is known of the work that something follows from. */
export interface Cause {
  /** False when no EHR is configured: then nothing piles up. */
  readonly forwards: boolean;
  /** The call that is served; absent for what the service does of its own. */
  readonly call?: Call | undefined;
}

interface Sending extends Cause {
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
    const isWithdrawal = stored.reading.status === 'entered-in-error' && !stored.reading.held;
    if (isForEhr(stored.reading) || (isWithdrawal && (await wasEverSent(writer, context.id))))
      toSend.push(versioned(resource), versioned(provenance));
  }
  await putRejudged(writer, evaluation.rejudged, context, toSend);
  const bmi = await putDerived(writer, derived, toSend);
  await send(writer, context.person.key, toSend, concerned([context.id, ...idsOf(evaluation.rejudged)], derived), sending);
  return { ...(resource && { resource }), derived: bmi };
}

/** Writes what follows from something else than a reading (a birth date became known, a scale was recalled). */
export async function recordConsequences(
  writer: StoreWriter,
  person: string,
  { rejudged, derived }: Pick<Evaluation, 'rejudged' | 'derived'>,
  context: Pick<Context, 'policy' | 'nowMs' | 'growth'>,
  sending: Sending,
): Promise<void> {
  const toSend: VersionedReference[] = [];
  await putRejudged(writer, rejudged, context, toSend);
  await putDerived(writer, derived, toSend);
  await send(writer, person, toSend, concerned(idsOf(rejudged), derived), sending);
}

interface Marking {
  readonly current: StoredResource;
  /** With the new mark among its facts. */
  readonly reading: Reading;
  readonly findings: readonly Finding[];
  readonly instruction: Instruction;
}

/** A new version of a reading that goes on waiting: only its marks change, so nothing follows and nothing is sent. */
export async function recordMark(
  writer: StoreWriter,
  { current, reading, findings, instruction }: Marking,
  context: Pick<Context, 'policy' | 'nowMs'>,
): Promise<StoredResource> {
  return (await putStanding(writer, current, { reading, findings, instruction }, context)).resource;
}

function idsOf(rejudged: readonly Rejudged[]): string[] {
  return rejudged.map(({ reading }) => reading.id);
}

/**
 * A new version of each reading that stands otherwise now. The EHR gets what is accepted; what now
 * waits, or turned out to be a repeat, it gets only when it has the reading already: its copy must
 * not go on saying `final`.
 */
async function putRejudged(
  writer: StoreWriter,
  rejudged: readonly Rejudged[],
  context: Pick<Context, 'policy' | 'nowMs' | 'growth'>,
  toSend: VersionedReference[],
): Promise<void> {
  for (const { before, reading, findings, decidedBy } of rejudged) {
    const current = await writer.current('Observation', before.id);
    if (current === undefined) throw new Error(`Observation/${before.id} was judged again but is not stored`);
    const isKnownToEhr = isForEhr(reading) || (await wasEverSent(writer, before.id));
    const { resource, provenance } = await putStanding(writer, current, { reading, findings, ...(decidedBy && { decidedBy }) }, context);
    if (isKnownToEhr) toSend.push(versioned(resource), versioned(provenance));
  }
}

/** The next version of a stored reading, with the marks of its standing as it is now, and its Provenance. */
async function putStanding(
  writer: StoreWriter,
  current: StoredResource,
  { reading, findings, instruction, decidedBy }: Pick<Marking, 'reading' | 'findings'> & Partial<Pick<Marking, 'instruction'>> & DecidedBy,
  context: Pick<Context, 'policy' | 'nowMs'>,
): Promise<{ readonly resource: StoredResource; readonly provenance: StoredResource }> {
  const { id } = current;
  const observation = withStanding(treeOf(current) as unknown as ExactObservation, reading);
  const additions = await additionsTo(writer, current);
  const asSent = await writer.sentAs(id);
  const resource = await writer.putObservation(
    id,
    observation as unknown as JsonObject,
    factsOfReading(observation, reading, asSent === undefined ? {} : { personAsSent: asSent }),
  );
  const provenance = toProvenance(
    {
      target: { id, version: resource.version },
      verdict: reading.held ? 'held' : 'accepted',
      findings,
      additions,
      entities: [entity('revision', `Observation/${id}/_history/${current.version}`)],
      activity: 'UPDATE',
      ...instructedBy(instruction),
      ...(decidedBy && { decidedBy }),
    },
    context,
  );
  return { resource, provenance: await putProvenance(writer, provenance, id) };
}

/** An accepted reading, or the withdrawal of one; a repeat is one reading with what it repeats. */
function isForEhr({ held, repeatOf, status }: Reading): boolean {
  return !held && repeatOf === undefined && status !== 'entered-in-error';
}

/** What the Provenance of a version says was added to it. */
export async function additionsTo(reader: StoreReader, { id, version }: StoredResource): Promise<Addition[]> {
  const provenance = await reader.current('Provenance', provenanceId({ id, version }));
  return provenance === undefined ? [] : additionsIn(treeOf(provenance));
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
  { forwards, nowMs, call }: Sending,
): Promise<void> {
  if (!forwards || resources.length === 0) return;
  const { requestId, traceParent } = call ?? {};
  await writer.enqueue({
    person,
    resources,
    concerns,
    queuedAt: toInstant(nowMs),
    ...(requestId !== undefined && { requestId }),
    ...(traceParent !== undefined && { traceParent }),
  });
}

function versioned({ type, id, version }: StoredResource): VersionedReference {
  return { type: type as VersionedReference['type'], id, version };
}

function concerned(readingIds: readonly string[], derived: readonly Derived[]): string[] {
  return [...new Set([...readingIds, ...derived.flatMap(({ id, facts }) => [id, ...facts.derivedFrom])])];
}

/** A reading that was held or a repeat all its life never reached the EHR, so neither need its withdrawal. */
async function wasEverSent(writer: StoreWriter, id: string): Promise<boolean> {
  const versions = await writer.history('Observation', id);
  return versions.some((version) => {
    const observation = treeOf(version) as unknown as ExactObservation;
    return !isHeld(observation) && !isRepeat(observation) && observation.status !== 'entered-in-error';
  });
}

/** Keeps what was refused and why, apart from the Observations. */
export async function recordRefusal(
  writer: StoreWriter,
  { id, text, findings }: { readonly id: string; readonly text: string; readonly findings: readonly Finding[] },
  { nowMs, policyVersion, client }: { readonly nowMs: number; readonly policyVersion: string; readonly client: string | undefined },
): Promise<void> {
  const outcome = stringifyExact(toOperationOutcome(findings, { policyVersion }));
  await writer.addRefusal({ id, receivedAt: toInstant(nowMs), text, outcome, ...(client !== undefined && { client }) });
}
