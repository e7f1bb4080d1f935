/**
 * `$undo`: the last decision on a reading is taken back, in one unit of work, as long as nothing of
 * it has gone to the EHR. The reading waits again as it did, its history keeps every version, and
 * whatever rested on the decision is judged again.
 */
import type * as fhir4 from 'fhir/r4.js';
import { toInstant } from '../core/fhir-time.ts';
import { finding, toOperationOutcome, type Finding } from '../core/finding.ts';
import type { ExactObservation } from '../core/observation.ts';
import { provenanceId, rulesSaidIn } from '../core/provenance.ts';
import type { Instruction, LastDecision, Reading } from '../core/reading.ts';
import { decisionUndone } from '../core/rules/repeat.ts';
import { isUnassigned } from '../core/unassigned.ts';
import { isMadeBy, restore, undoableUntilMs, whyGone, whyMoveStands, whyNotUndoable } from '../core/undo.ts';
import type { ItemsBehind, OutboxItem, OutboxStore, StoredResource, StoreReader, StoreWriter } from '../ports.ts';
import { loadPersonByKey } from './context.ts';
import { conflict, loadHeld, type HeldAnswer } from './held.ts';
import type { UndoRequest } from './parameters.ts';
import { rewriteReading, type ReadingWork } from './reading.ts';
import { recordRestored } from './record.ts';
import { undoableStill } from './sending.ts';
import { treeOf } from './stored-tree.ts';

type Answer = HeldAnswer & { readonly findings: readonly Finding[]; readonly withdrawnItems: readonly number[] };

/** Whoever takes a decision back need not say why. */
const NO_REASON_GIVEN = 'The decision was taken back.';

const NOTHING = 'There is no decision to take back. Look at the reading again.';

/**
 * Takes back the last decision on a reading. The caller has a unit of work open.
 *
 * Throws ServiceError ERR_NOT_FOUND, ERR_VERSION_CONFLICT, ERR_CONFLICT (nothing to take back, too
 * late, changed since, or gone to the EHR).
 */
export async function undo(
  writer: StoreWriter,
  id: string,
  { who, reason = NO_REASON_GIVEN }: UndoRequest,
  ifMatchVersion: number | undefined,
  work: ReadingWork,
): Promise<Answer> {
  const { current, reading: decided } = await loadHeld(writer, id, ifMatchVersion);
  const nowMs = work.clock.nowMs();
  const { lastDecision: last } = decided;
  const why = whyNotUndoable(decided, nowMs);
  if (last === undefined || why !== undefined) throw conflict(why ?? NOTHING);

  const made = await madeBy(writer, decided, last);
  if (made !== undefined && !isMadeBy(made, last)) throw conflict(whyMoveStands(made));
  const here = await withdrawn(writer, behind(last, decided), last);
  const there = made === undefined ? [] : await withdrawn(writer, behind(last, made), last);
  const instruction = { as: 'undo' as const, at: toInstant(nowMs), who, reason };
  const answer = await restored(writer, { current, decided, last, instruction }, { ...work, replacing: here });
  const moved = made === undefined ? undefined : await voided(writer, made, instruction, { ...work, replacing: there });
  return { ...answer, ...(moved && { moved }), withdrawnItems: [...here, ...there].map(({ number }) => number) };
}

/** The reading that the decision made for the right person, whatever became of it; undefined when that one was there before. */
async function madeBy(reader: StoreReader, decided: Reading, last: LastDecision): Promise<Reading | undefined> {
  const movedTo = last.as === 'wrong-person' ? decided.decided?.movedTo : undefined;
  const made = movedTo === undefined ? undefined : await reader.readingOf(movedTo);
  return made?.movedFrom === decided.id ? made : undefined;
}

/** What may rest on the decision: whatever was queued for the person since, or of the reading. Nothing rests on a wish. */
function behind({ as, afterItem }: LastDecision, { id, person }: Reading): ItemsBehind {
  return as === 'weigh-again'
    ? { number: afterItem, persons: [], observations: [] }
    : { number: afterItem, persons: [person], observations: [id] };
}

async function withdrawn(writer: StoreWriter, items: ItemsBehind, last: LastDecision): Promise<readonly OutboxItem[]> {
  const taken = await writer.withdraw(items);
  if (taken === undefined) throw conflict(whyGone(last));
  return taken;
}

interface Undoing {
  readonly current: StoredResource;
  readonly decided: Reading;
  readonly last: LastDecision;
  readonly instruction: Instruction;
}

async function restored(
  writer: StoreWriter,
  { current, decided, last, instruction }: Undoing,
  work: ReadingWork,
): Promise<Omit<Answer, 'withdrawnItems'>> {
  const { policy, growth, knownBases, forwards, call, replacing = [] } = work;
  const nowMs = Date.parse(instruction.at);
  const version = last.version - 1;
  const [resource, reading] = [await writer.version('Observation', decided.id, version), await writer.readingAt(decided.id, version)];
  if (resource === undefined || reading === undefined) throw new Error(`Observation/${decided.id} has no version before a decision`);
  const before = { resource, reading };
  const { person } = decided;
  const isNobodys = isUnassigned(person);
  const context = {
    nowMs,
    policy,
    ...(growth && { growth }),
    knownBases,
    person: await loadPersonByKey(writer, person, knownBases),
    history: isNobodys ? [] : (await writer.readingsOf(person)).filter(({ id }) => id !== decided.id),
    standing: isNobodys ? [] : await writer.standingDerivedOf(person),
  };
  const again = restore({ decided, before: reading, undone: instruction.at }, context);
  const saidBefore = again.reading.held ? await saidOf(writer, resource, again.reading.doubts ?? []) : [];
  const findings = [...again.findings, finding(decisionUndone, { at: last.at })];
  const observation = await recordRestored(
    writer,
    { ...again, findings, current, before, saidBefore, instruction, takesBack: last.version },
    context,
    { forwards, call, nowMs, replacing, notBeforeMs: undoableStill(replacing, decided.id, nowMs) },
  );
  const verdict = again.reading.held ? 'held' : 'accepted';
  return { status: 200, verdict, findings, outcome: toOperationOutcome(findings, { policyVersion: policy.version }), observation };
}

/** What was said of the doubts that hold the reading, by the latest version up to this one that was told. */
async function saidOf(reader: StoreReader, { id, version }: StoredResource, doubts: readonly string[]): Promise<fhir4.Extension[]> {
  const said = new Map<string, fhir4.Extension>();
  for (let at = version; at > 0 && said.size < doubts.length; at -= 1) {
    const provenance = await reader.current('Provenance', provenanceId({ id, version: at }));
    const rules = provenance === undefined ? new Map<string, fhir4.Extension>() : rulesSaidIn(treeOf(provenance));
    for (const doubt of doubts) {
      const rule = rules.get(doubt);
      if (rule !== undefined && !said.has(doubt)) said.set(doubt, rule);
    }
  }
  return [...said.values()];
}

/** What was made for the right person is void there: it was never sent, so nobody need be told. */
async function voided(writer: StoreWriter, made: Reading, instruction: Instruction, work: ReadingWork): Promise<StoredResource> {
  const current = await writer.current('Observation', made.id);
  if (current === undefined) throw new Error(`Observation/${made.id} was moved and is not stored`);
  const observation = { ...(treeOf(current) as unknown as ExactObservation), status: 'entered-in-error' as const };
  const { resource } = await rewriteReading(writer, { observation, current, replaces: made, filedFor: made.person, instruction }, work);
  if (resource === undefined) throw new Error(`Observation/${made.id} could not be voided`);
  return resource;
}

/** Can the last decision on a reading be taken back, and until when? Instants are FHIR's. */
export type UndoState =
  | {
      readonly kind: 'open';
      readonly as: LastDecision['as'];
      /** No later than this in any case. */
      readonly until: string;
      /** When it may begin to go to the EHR, which ends it; absent when nothing of it goes there. */
      readonly sentFrom?: string;
    }
  | { readonly kind: 'closed'; readonly reason: string };

/**
 * As `undo` would answer now, for whoever shows it; a worker may begin to send in the next moment.
 * Undefined when there is no such weight or height.
 */
export async function undoState(
  reader: StoreReader,
  outbox: Pick<OutboxStore, 'dueOf'>,
  id: string,
  nowMs: number,
): Promise<UndoState | undefined> {
  const decided = await reader.readingOf(id);
  if (decided === undefined) return undefined;
  const { lastDecision: last } = decided;
  const why = whyNotUndoable(decided, nowMs);
  if (last === undefined || why !== undefined) return { kind: 'closed', reason: why ?? NOTHING };
  const made = await madeBy(reader, decided, last);
  if (made !== undefined && !isMadeBy(made, last)) return { kind: 'closed', reason: whyMoveStands(made) };
  const dues: number[] = [];
  for (const one of [decided, ...(made ? [made] : [])]) {
    const due = await outbox.dueOf(behind(last, one));
    if (due === 'gone') return { kind: 'closed', reason: whyGone(last) };
    if (due !== undefined) dues.push(due);
  }
  const sentFrom = dues.length === 0 ? undefined : toInstant(Math.min(...dues));
  return { kind: 'open', as: last.as, until: toInstant(undoableUntilMs(last)), ...(sentFrom !== undefined && { sentFrom }) };
}
