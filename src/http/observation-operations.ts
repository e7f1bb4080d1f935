/**
 * The dry runs: `$validate` (HL7 FHIR R4, Resource-validate) and our own `$assess`. Both ask the
 * engine of the real call; both answer 200 whenever the judgement could be made.
 */
import { isJsonObject, stringifyExact, type JsonObject, type JsonValue } from '../core/json.ts';
import { R4_PROFILE } from '../core/terminology.ts';
import { ServiceError } from '../errors.ts';
import { subjectsOf } from '../ingest/audit.ts';
import { sendFhir, sendOutcome } from './answer.ts';
import { readJsonBody } from './body.ts';
import { ruleIdsOf } from '../ingest/counted.ts';
import { callOf, notesOf } from './request-notes.ts';
import { parseQuery, queryOf } from './search/query.ts';
import type { Handler, Request, Response, Serving } from './serving.ts';

export function validateObservation(serving: Serving): Handler {
  const profiles = new Set<string>([
    ...Object.values(R4_PROFILE),
    ...serving.artefacts.filter(({ type }) => type === 'StructureDefinition').map(({ url }) => url),
  ]);
  return async (req, res) => {
    const { resource, parameters } = operationInput(req);
    const { mode = 'create', profile } = parameters;
    if (mode !== 'create')
      throw new ServiceError('ERR_NOT_SUPPORTED', 'Only the mode create can be validated.', { expression: 'Parameters.parameter' });
    if (profile !== undefined && !profiles.has(profile)) {
      throw new ServiceError('ERR_NOT_SUPPORTED', 'This profile is not known here, so nothing can be validated against it.', {
        expression: 'Parameters.parameter',
      });
    }
    const { outcome } = await judge(serving, res, resource);
    sendOutcome(res, 200, outcome);
  };
}

export function assessObservation(serving: Serving): Handler {
  return async (req, res) => {
    const { verdict, outcome, observation, derived } = await judge(serving, res, operationInput(req).resource);
    const parameter = [
      { name: 'verdict', valueCode: verdict },
      { name: 'outcome', resource: outcome },
      ...(observation ? [{ name: 'observation', resource: observation }] : []),
      ...derived.map((resource) => ({ name: 'derived', resource })),
    ];
    sendFhir(res, { status: 200, text: stringifyExact({ resourceType: 'Parameters', parameter }) });
  };
}

async function judge({ intake, baseUrl }: Serving, res: Response, resource: JsonValue) {
  const notes = notesOf(res);
  notes.concerned.push(...subjectsOf(resource, [baseUrl]));
  const assessment = await intake(callOf(res)).assess(resource);
  notes.verdicts.push(`dry-run-${assessment.verdict}`);
  for (const ruleId of ruleIdsOf(assessment.outcome)) notes.ruleIds.add(ruleId);
  return assessment;
}

interface OperationInput {
  readonly resource: JsonValue;
  readonly parameters: Readonly<Partial<Record<'mode' | 'profile', string>>>;
}

/** The body is the resource itself, or Parameters that hold it; `mode` and `profile` from either or the URL. */
function operationInput(req: Request): OperationInput {
  const { value } = readJsonBody(req);
  const fromUrl = Object.fromEntries(parseQuery(queryOf(req.originalUrl)).map((parameter) => [parameter.name, parameter.value]));
  if (!isJsonObject(value) || value['resourceType'] !== 'Parameters') return { resource: value, parameters: namedTexts(fromUrl) };
  const list = Array.isArray(value['parameter']) ? value['parameter'].filter(isJsonObject) : [];
  const resources = list.filter((item) => item['name'] === 'resource');
  const [holder] = resources;
  if (resources.length !== 1 || holder?.['resource'] === undefined) {
    throw new ServiceError('ERR_BAD_REQUEST', 'Parameters must hold exactly one parameter named resource.', {
      expression: 'Parameters.parameter',
    });
  }
  return { resource: holder['resource'], parameters: namedTexts({ ...fromUrl, ...textParameters(list) }) };
}

function textParameters(list: readonly JsonObject[]): Record<string, JsonValue | undefined> {
  return Object.fromEntries(
    list.flatMap((item): [string, JsonValue | undefined][] => {
      const { name } = item;
      return typeof name === 'string'
        ? [[name, item['valueCode'] ?? item['valueUri'] ?? item['valueCanonical'] ?? item['valueString']]]
        : [];
    }),
  );
}

function namedTexts({ mode, profile }: Readonly<Record<string, JsonValue | undefined>>): OperationInput['parameters'] {
  return { ...(typeof mode === 'string' && { mode }), ...(typeof profile === 'string' && { profile }) };
}
