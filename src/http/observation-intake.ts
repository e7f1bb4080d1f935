/**
 * `POST /fhir/Observation` takes in one reading, `PUT /fhir/Observation/{id}` corrects one.
 */
import { countedAs } from '../ingest/counted.ts';
import { readJsonBody } from './body.ts';
import { ifNoneExist, requiredIfMatchVersion } from './conditional.ts';
import { noteJudgement, sendIntakeAnswer } from './intake-answer.ts';
import { checkBodyId, idOf } from './path-id.ts';
import { callOf } from './request-notes.ts';
import type { Handler, Serving } from './serving.ts';

export function createObservation(serving: Serving): Handler {
  return async (req, res) => {
    const { text, value } = readJsonBody(req);
    const answer = await serving.intake(callOf(res)).create(value, text, ifNoneExist(req));
    noteJudgement(res, serving, countedAs(answer.status, { isCorrection: false }), answer.outcome);
    sendIntakeAnswer(req, res, answer, serving);
  };
}

export function correctObservation(serving: Serving): Handler {
  return async (req, res) => {
    const { text, value } = readJsonBody(req);
    const id = idOf(req);
    checkBodyId(value, id);
    const answer = await serving.intake(callOf(res)).correct(id, value, text, requiredIfMatchVersion(req));
    noteJudgement(res, serving, countedAs(answer.status, { isCorrection: true }), answer.outcome);
    sendIntakeAnswer(req, res, answer, serving);
  };
}
