/**
 * `POST /fhir`: a batch or transaction Bundle.
 */
import type * as fhir4 from 'fhir/r4.js';
import { isJsonObject, stringifyExact, type JsonObject } from '../core/json.ts';
import { ERRORS, ruleIdOf, ServiceError, type ErrorCode } from '../errors.ts';
import { subjectsOf } from '../ingest/audit.ts';
import { countedAs, ruleIdsOf } from '../ingest/counted.ts';
import { sendFhir } from './answer.ts';
import { noteInteraction } from './audit/audit-calls.ts';
import { readJsonBody } from './body.ts';
import { noteJudgement } from './intake-answer.ts';
import { callOf, notesOf, type ForbiddenEntry } from './request-notes.ts';
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
    if (value['type'] === 'transaction') noteInteraction(res, 'transaction');
    notesOf(res).concerned.push(...subjectsOf(value, [serving.baseUrl]));
    const { status, body } = await serving.intake(callOf(res)).bundle(value, text);
    if (status >= 400) noteRefusedBundle(res, serving, value, body);
    else noteEntries(res, serving, value, body);
    sendFhir(res, { status, text: stringifyExact(body) });
  };
}

/** A Bundle that is refused as a whole stores nothing and is kept as one refusal: it counts once, if it holds a reading. */
function noteRefusedBundle(res: Response, serving: Serving, sent: JsonObject, answered: JsonObject): void {
  if (listOf(sent['entry']).some(isReading)) noteJudgement(res, serving, 'refused', answered as unknown as fhir4.OperationOutcome);
}

/**
 * Each Observation that was judged on its own counts as a reading; one that was not is named to the
 * log only. What the caller was not allowed is told to the audit.
 */
function noteEntries(res: Response, serving: Serving, sent: JsonObject, answered: JsonObject): void {
  const requests = Array.isArray(sent['entry']) ? sent['entry'] : [];
  listOf(answered['entry']).forEach(({ response }, index) => {
    const entry = requests[index];
    if (!isJsonObject(response) || !isJsonObject(entry)) return;
    const { status } = response;
    if (typeof status !== 'string') return;
    if (status.startsWith('403')) notesOf(res).forbiddenEntries.push(askedBy(entry));
    if (!isReading(entry)) return;
    const outcome = isJsonObject(response['outcome']) ? (response['outcome'] as unknown as fhir4.OperationOutcome) : undefined;
    const errors = ruleIdsOf(outcome).filter((ruleId) => ERROR_IDS.has(ruleId));
    if (errors.length > 0) errors.forEach((errorId) => notesOf(res).ruleIds.add(errorId));
    else noteJudgement(res, serving, countedAs(Number(status.slice(0, 3)), { isCorrection: isCorrection(entry) }), outcome);
  });
}

/** An entry that answers one of these was not judged: the request was at fault, or the store could not commit. */
const ERROR_IDS: ReadonlySet<string> = new Set((Object.keys(ERRORS) as ErrorCode[]).map(ruleIdOf));

function isReading({ resource }: JsonObject): boolean {
  return isJsonObject(resource) && resource['resourceType'] === 'Observation';
}

/** An entry that came as far as being forbidden has an address that is served: a type, or a type and an id. */
function askedBy({ request }: JsonObject): ForbiddenEntry {
  const { method, url } = isJsonObject(request) ? request : {};
  return method === 'PUT' && typeof url === 'string' ? { interaction: 'update', place: url } : { interaction: 'create' };
}

function isCorrection({ request }: JsonObject): boolean {
  return isJsonObject(request) && request['method'] === 'PUT';
}

function listOf(value: unknown): JsonObject[] {
  return Array.isArray(value) ? value.filter(isJsonObject) : [];
}
