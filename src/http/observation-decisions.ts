/**
 * `POST /fhir/Observation/{id}/$decide`, `$undo` and `$claim`: what somebody makes of a held reading. All
 * answer 200 with Parameters that hold the outcome and the Observation as it stands now, its
 * digits as they are stored. Who decided and why is never logged.
 */
import type { Call } from '../caller.ts';
import { stringifyExact } from '../core/json.ts';
import type { HeldAnswer, Intake } from '../ingest.ts';
import { sendFhir, sendOutcome } from './answer.ts';
import { readJsonBody } from './body.ts';
import { ifMatchVersion } from './conditional.ts';
import { ruleIdsOf } from '../ingest/counted.ts';
import { idOf } from './path-id.ts';
import { callOf, notesOf } from './request-notes.ts';
import type { Handler, Response, Serving } from './serving.ts';

export function decideObservation({ intake }: Serving): Handler {
  return onHeld('decision', (call, ...asked) => intake(call).decide(...asked));
}

export function undoDecision({ intake }: Serving): Handler {
  return onHeld('undo', (call, ...asked) => intake(call).undo(...asked));
}

export function claimObservation({ intake }: Serving): Handler {
  return onHeld('claim', (call, ...asked) => intake(call).claim(...asked));
}

function onHeld(
  what: 'decision' | 'undo' | 'claim',
  act: (call: Call, ...asked: Parameters<Intake['decide']>) => Promise<HeldAnswer>,
): Handler {
  return async (req, res) => {
    const { text, value } = readJsonBody(req);
    const answer = await act(callOf(res), idOf(req), value, text, ifMatchVersion(req));
    const notes = notesOf(res);
    notes.verdicts.push(`${what}-${answer.verdict}`);
    for (const ruleId of ruleIdsOf(answer.outcome)) notes.ruleIds.add(ruleId);
    sendHeldAnswer(res, answer);
  };
}

function sendHeldAnswer(res: Response, { status, outcome, observation, moved }: HeldAnswer): void {
  if (observation === undefined) {
    sendOutcome(res, status, outcome);
    return;
  }
  const parameters = [
    ['outcome', stringifyExact(outcome)],
    ['observation', observation.text],
    ...(moved ? [['moved', moved.text]] : []),
  ].map(([name = '', text = '']) => `{"name":"${name}","resource":${text}}`);
  sendFhir(res, { status, version: observation, text: `{"resourceType":"Parameters","parameter":[${parameters.join(',')}]}` });
}
