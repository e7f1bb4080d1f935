/**
 * `POST /fhir`: a batch or transaction Bundle.
 */
import type * as fhir4 from 'fhir/r4.js';
import { isJsonObject, stringifyExact, type JsonObject } from '../core/json.ts';
import { ServiceError } from '../errors.ts';
import { sendFhir } from './answer.ts';
import { readJsonBody } from './body.ts';
import { noteJudgement } from './intake-answer.ts';
import type { Handler, Response, Serving } from './serving.ts';

export function takeBundle(serving: Serving): Handler {
  return async (req, res) => {
    const { text, value } = readJsonBody(req);
    if (!isJsonObject(value) || value['resourceType'] !== 'Bundle') {
      throw new ServiceError(
        'ERR_NOT_JSON',
        'Only a Bundle of type batch or transaction can be posted here. Post a single reading to Observation.',
        {
          expression: 'Bundle',
        },
      );
    }
    const { status, body } = await serving.intake.bundle(value, text);
    noteEntries(res, serving, value, body);
    sendFhir(res, { status, text: stringifyExact(body) });
  };
}

/** Each Observation that was judged on its own counts as a reading. */
function noteEntries(res: Response, serving: Serving, sent: JsonObject, answered: JsonObject): void {
  const requests = listOf(sent['entry']);
  listOf(answered['entry']).forEach(({ response }, index) => {
    const resource = requests[index]?.['resource'];
    if (!isJsonObject(response) || !isJsonObject(resource) || resource['resourceType'] !== 'Observation') return;
    const { status, outcome } = response;
    if (typeof status !== 'string') return;
    noteJudgement(
      res,
      serving,
      Number(status.slice(0, 3)),
      isJsonObject(outcome) ? (outcome as unknown as fhir4.OperationOutcome) : undefined,
    );
  });
}

function listOf(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}
