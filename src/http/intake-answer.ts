/**
 * How the answer of an intake call looks on the wire: status, Location, ETag, and the body that
 * the caller prefers (HL7 FHIR R4 http sections 3.1.0.1.8 and 3.1.0.8).
 *
 * A held reading is answered with its OperationOutcome even to `return=minimal`: nobody should
 * take a 202 for done without being told why it is not.
 */
import type * as fhir4 from 'fhir/r4.js';
import { stringifyExact } from '../core/json.ts';
import type { IntakeAnswer } from '../ingest.ts';
import { ruleIdsOf, type Counted } from '../ingest/counted.ts';
import { sendFhir, sendOutcome, versionUrl } from './answer.ts';
import { preferencesOf } from './negotiation.ts';
import { notesOf } from './request-notes.ts';
import type { Request, Response, Serving } from './serving.ts';

export function sendIntakeAnswer(req: Request, res: Response, answer: IntakeAnswer, { baseUrl }: Pick<Serving, 'baseUrl'>): void {
  const { status, resource, outcome } = answer;
  if (!resource || status >= 400) {
    sendOutcome(res, status, outcome);
    return;
  }
  const isHeld = status === 202;
  const wanted = preferencesOf(req).return ?? (isHeld ? 'OperationOutcome' : 'representation');
  const kind = wanted === 'minimal' && isHeld ? 'OperationOutcome' : wanted;
  const location = versionUrl(baseUrl, resource);
  const head = { status, version: resource, location };
  if (kind === 'minimal') sendFhir(res, head);
  else sendFhir(res, { ...head, text: kind === 'representation' ? resource.text : stringifyExact(outcome) });
}

/** Counts a judged reading and notes what became of it and its rules for the log. */
export function noteJudgement(
  res: Response,
  { metrics }: Pick<Serving, 'metrics'>,
  counted: Counted,
  outcome: fhir4.OperationOutcome | undefined,
): void {
  const notes = notesOf(res);
  notes.verdicts.push(counted);
  metrics.reading(counted);
  for (const ruleId of ruleIdsOf(outcome)) {
    notes.ruleIds.add(ruleId);
    metrics.finding(ruleId);
  }
}
