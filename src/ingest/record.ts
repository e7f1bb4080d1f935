/** Stores what an evaluation concluded, with everything that goes with it, in one unit of work. */
import type * as fhir4 from 'fhir/r4.js';
import type { Derived } from '../core/derive/difference.ts';
import type { Addition } from '../core/enrich/enrich.ts';
import { withStanding } from '../core/enrich/marks.ts';
import type { Evaluation } from '../core/evaluate.ts';
import { factsOfReading } from '../core/facts.ts';
import { toInstant } from '../core/fhir-time.ts';
import { toOperationOutcome, type Finding } from '../core/finding.ts';
import { stringifyExact, type JsonObject } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import { additionsIn, entity, instructedBy, provenanceId, toProvenance, type DecidedBy } from '../core/provenance.ts';
import type { Context, Instruction, Reading } from '../core/reading.ts';
import { standsAlike, type Rejudged } from '../core/serial/rejudged.ts';
import type { Restored } from '../core/undo.ts';
import type { StoredResource, StoreReader, StoreWriter, VersionedReference } from '../ports.ts';
import { concerned, isForEhr, send, undoableStill, versioned, wasEverSent, type Cause, type Sending } from './sending.ts';
import { treeOf } from './stored-tree.ts';

export type { Cause };

export interface Recorded {
  /** The weight or height, when one was stored. */
  readonly resource?: StoredResource;
  readonly derived: readonly StoredResource[];
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
  const concerns = concerned([context.id, ...idsOf(evaluation.rejudged)], derived);
  const notBeforeMs = undoableUntil(context) ?? undoableStill(sending.replacing ?? [], context.id, context.nowMs);
  await send(writer, context.person.key, toSend, concerns, { ...sending, notBeforeMs });
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

/** Decisions of people wait a moment, so that they can be taken back; a claim cannot be. */
function undoableUntil({ instruction, nowMs, policy }: Pick<Context, 'instruction' | 'nowMs' | 'policy'>): number | undefined {
  if (instruction?.afterItem === undefined) return undefined;
  return nowMs + policy.values['decision.sendAfterSeconds'] * 1000;
}

interface Restoring extends Restored {
  readonly current: StoredResource;
  /** The version that it goes back to, with what was decoded of it. */
  readonly before: { readonly resource: StoredResource; readonly reading: Reading };
  readonly saidBefore: readonly fhir4.Extension[];
  readonly instruction: Instruction;
  readonly takesBack: number;
}

/**
 * Writes a reading as it was before a decision, and what follows. The EHR has it as it was then or
 * not at all, so it is sent only where it stands otherwise among its neighbours by now.
 */
export async function recordRestored(
  writer: StoreWriter,
  { current, before, reading, findings, saidBefore, instruction, takesBack, rejudged, derived }: Restoring,
  context: Pick<Context, 'policy' | 'nowMs' | 'growth'>,
  sending: Sending,
): Promise<StoredResource> {
  const toSend: VersionedReference[] = [];
  const { resource, provenance } = await putStanding(
    writer,
    current,
    { reading, findings, instruction, from: before.resource, saidBefore, takesBack },
    context,
  );
  if (isForEhr(reading) || (!standsAlike(reading, before.reading) && (await wasEverSent(writer, reading.id))))
    toSend.push(versioned(resource), versioned(provenance));
  await putRejudged(writer, rejudged, context, toSend);
  await putDerived(writer, derived, toSend);
  await send(writer, reading.person, toSend, concerned([reading.id, ...idsOf(rejudged)], derived), sending);
  return resource;
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

interface NextStanding extends Pick<Marking, 'reading' | 'findings'>, Partial<Pick<Marking, 'instruction'>>, DecidedBy {
  /** The version whose content it has; the current one when absent. */
  readonly from?: StoredResource;
  readonly saidBefore?: readonly fhir4.Extension[];
  readonly takesBack?: number;
}

/** The next version of a stored reading, with the marks of its standing as it is now, and its Provenance. */
async function putStanding(
  writer: StoreWriter,
  current: StoredResource,
  { reading, findings, instruction, decidedBy, from = current, saidBefore, takesBack }: NextStanding,
  context: Pick<Context, 'policy' | 'nowMs' | 'growth'>,
): Promise<{ readonly resource: StoredResource; readonly provenance: StoredResource }> {
  const { id } = current;
  const observation = withStanding(treeOf(from) as unknown as ExactObservation, reading);
  const additions = await additionsTo(writer, from);
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
      entities: [
        ...(from === current ? [] : [entity('source', `Observation/${id}/_history/${from.version}`)]),
        entity('revision', `Observation/${id}/_history/${current.version}`),
      ],
      activity: 'UPDATE',
      ...(saidBefore && { saidBefore }),
      ...(takesBack !== undefined && { takesBack }),
      ...instructedBy(instruction),
      ...(decidedBy && { decidedBy }),
    },
    context,
  );
  return { resource, provenance: await putProvenance(writer, provenance, id) };
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
    const why = await putProvenance(writer, provenance, id);
    if (facts.status !== 'entered-in-error' || (await wasEverSent(writer, id))) toSend.push(versioned(bmi), versioned(why));
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

/** Keeps what was refused and why, apart from the Observations. */
export async function recordRefusal(
  writer: StoreWriter,
  { id, text, findings }: { readonly id: string; readonly text: string; readonly findings: readonly Finding[] },
  { nowMs, policyVersion, client }: { readonly nowMs: number; readonly policyVersion: string; readonly client: string | undefined },
): Promise<void> {
  const outcome = stringifyExact(toOperationOutcome(findings, { policyVersion }));
  await writer.addRefusal({ id, receivedAt: toInstant(nowMs), text, outcome, ...(client !== undefined && { client }) });
}
