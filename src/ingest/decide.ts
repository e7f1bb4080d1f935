/**
 * `$decide`: what somebody makes of a held reading, in one unit of work. A decision is made once;
 * it is a fact of the reading from then on, whatever is judged again later.
 */
import { conformObservation } from '../core/conform.ts';
import { decidedObservation, factsOfInstruction, movedObservation, whyNotDecidable, type DecisionRequest } from '../core/decision.ts';
import { toInstant } from '../core/fhir-time.ts';
import { finding, toOperationOutcome, type Finding } from '../core/finding.ts';
import type { Exact, JsonValue } from '../core/json.ts';
import type { ExactObservation } from '../core/observation.ts';
import { pointerOf } from '../core/pointers.ts';
import type { Instruction, Reading } from '../core/reading.ts';
import { weighAgainAsked } from '../core/rules/repeat.ts';
import type * as fhir4 from 'fhir/r4.js';
import { ServiceError } from '../errors.ts';
import type { StoredResource, StoreWriter } from '../ports.ts';
import { refused } from './answer.ts';
import { loadPerson } from './context.ts';
import { treeOf } from './stored-tree.ts';
import { conflict, loadHeld, toHeldAnswer, type HeldAnswer } from './held.ts';
import { asUnadorned, judgeNew, rewriteReading, settle, type ReadingWork } from './reading.ts';
import { recordMark } from './record.ts';

type Answer = HeldAnswer & { readonly findings: readonly Finding[] };

export interface DecisionWork extends ReadingWork {
  readonly newId: () => string;
}

interface Deciding {
  readonly current: StoredResource;
  readonly reading: Reading;
  readonly request: DecisionRequest;
  readonly instruction: Instruction;
}

/**
 * Decides on a held reading. The caller has a unit of work open and keeps refusals itself.
 *
 * Throws ServiceError ERR_NOT_FOUND, ERR_VERSION_CONFLICT, ERR_CONFLICT (not held, or decided
 * already), ERR_BAD_VALUE (moved to the person whose it is already).
 *
 * @param subjectPlace where the request names the right person
 */
export async function decide(
  writer: StoreWriter,
  id: string,
  request: DecisionRequest,
  options: { readonly ifMatchVersion: number | undefined; readonly subjectPlace: string },
  work: DecisionWork,
): Promise<Answer> {
  const { current, reading } = await loadHeld(writer, id, options.ifMatchVersion);
  const reason = whyNotDecidable(reading, request.code, current.lastUpdated);
  if (reason !== undefined) throw conflict(reason);
  const { code, who } = request;
  const instruction = {
    as: code,
    at: toInstant(work.clock.nowMs()),
    who,
    reason: request.reason ?? NO_REASON_GIVEN,
    afterItem: await writer.lastItem(),
  };
  const deciding = { current, reading, request, instruction };
  if (code === 'weigh-again') return askAgain(writer, deciding, work);
  if (code === 'wrong-person') return move(writer, { ...deciding, subject: request.subject as Exact<fhir4.Reference> }, options, work);
  return toHeldAnswer(await rewrite(writer, deciding, work));
}

/** A second weighing may be asked for without a word. */
const NO_REASON_GIVEN = 'A second weighing is wanted.';

async function rewrite(writer: StoreWriter, { current, reading, request, instruction }: Deciding, work: DecisionWork) {
  const observation = decidedObservation(storedAs(current), request);
  const conformed = conformObservation(observation as unknown as JsonValue);
  if (!conformed.ok) return refused(conformed.findings, work);
  return rewriteReading(writer, { observation, current, replaces: reading, filedFor: reading.person, instruction }, work);
}

/** It goes on waiting, so nothing is judged anew: only that somebody asked is new. */
async function askAgain(writer: StoreWriter, { current, reading, instruction }: Deciding, work: DecisionWork): Promise<Answer> {
  const { policy, clock } = work;
  const findings = [finding(weighAgainAsked, { minutes: String(policy.values['release.windowMinutes']) })];
  const { undone: _undone, ...asked } = reading;
  const version = current.version + 1;
  const marked = { ...asked, version, ...factsOfInstruction(instruction, version) };
  const observation = await recordMark(writer, { current, reading: marked, findings, instruction }, { policy, nowMs: clock.nowMs() });
  return { status: 200, verdict: 'held', outcome: toOperationOutcome(findings, { policyVersion: policy.version }), findings, observation };
}

/** Void here, and a reading of its own there, judged as any that arrives. */
async function move(
  writer: StoreWriter,
  deciding: Deciding & { readonly subject: Exact<fhir4.Reference> },
  { subjectPlace }: { readonly subjectPlace: string },
  work: DecisionWork,
): Promise<Answer> {
  const { current, reading, subject, instruction } = deciding;
  const right = await loadPerson(writer, pointerOf(subject, work.knownBases), work.knownBases);
  if (right.key === reading.person)
    throw new ServiceError('ERR_BAD_VALUE', 'The reading is of this person already. Name another one, or decide otherwise.', {
      expression: subjectPlace,
    });
  const copy = movedObservation(await asUnadorned(writer, storedAs(current), current), reading, subject);
  const judgement = await judgeNew(writer, copy, work.newId(), work, { ...instruction, movedFrom: current.id });
  if (judgement.kind === 'refused') return toHeldAnswer(refused(judgement.findings, work));
  const movedTo = judgement.kind === 'existing' ? judgement.resource.id : judgement.context.id;
  const voided = await rewrite(writer, { ...deciding, instruction: { ...instruction, movedTo } }, work);
  if (voided.verdict === 'refused' || voided.resource === undefined) return toHeldAnswer(voided);
  const { verdict, outcome, findings, resource } = await settle(writer, judgement, work);
  return { status: 200, verdict, outcome, findings, observation: voided.resource, ...(resource && { moved: resource }) };
}

function storedAs(current: StoredResource): ExactObservation {
  return treeOf(current) as unknown as ExactObservation;
}
