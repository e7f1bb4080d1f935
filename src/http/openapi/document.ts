/**
 * The OpenAPI description (version 3.1.0) of what a running service serves, made from the routes
 * that are mounted. FHIR resources are described by name and canonical only: their structure is the
 * standard's, and a second one written here could only differ from it.
 */
import { ROLE_SCOPES } from '../../permission.ts';
import type { Need } from '../auth/needs.ts';
import { ANSWER_HEADERS, REQUEST_HEADERS, type AnswerHeader, type DescribedAnswer, type Description } from './description.ts';
import { ERROR_STATUSES, generalAnswer, generalStatusesOf, type RouteTraits } from './general-answers.ts';

export interface DescribedRoute {
  readonly method: 'get' | 'post' | 'put' | 'delete';
  /** From the root, as express writes it. */
  readonly path: string;
  readonly need: Need;
  /** Media types of the body that it takes. */
  readonly takes: readonly string[];
  readonly isFhir: boolean;
  readonly isLimited: boolean;
  readonly says: Description;
}

export interface Identity {
  /** Address below which all paths are. */
  readonly server: string;
  readonly version: string;
  readonly asksForTokens: boolean;
}

const FHIR_MEDIA = ['application/fhir+json'];
const ref = (kind: string, name: string | number) => ({ $ref: `#/components/${kind}/${name}` });

export function apiDescription(routes: readonly DescribedRoute[], { server, version, asksForTokens }: Identity): object {
  const paths: Record<string, Record<string, object>> = {};
  for (const route of routes) {
    const path = pathOf(route);
    paths[path] = { ...paths[path], [route.method]: operationOf(route, asksForTokens) };
  }
  const types = routes.flatMap(({ says: { body = [], answers } }) => [
    ...body,
    ...Object.values(answers).flatMap(({ resource }) => resource ?? []),
  ]);
  return {
    openapi: '3.1.0',
    info: {
      title: 'Steelyard',
      version,
      summary: 'Takes in body weights and heights over FHIR R4, judges them, derives BMI',
      description: ABOUT,
      license: { name: 'Apache License 2.0', identifier: 'Apache-2.0' },
    },
    servers: [{ url: server }],
    paths,
    components: {
      schemas: Object.fromEntries([...new Set(types)].sort().map((type) => [type, schemaOf(type)])),
      parameters: Object.fromEntries(
        Object.entries(REQUEST_HEADERS).map(([name, description]) => [
          name,
          { name, in: 'header', description, schema: { type: 'string' } },
        ]),
      ),
      headers: Object.fromEntries(
        Object.entries(ANSWER_HEADERS).map(([name, description]) => [name, { description, schema: { type: 'string' } }]),
      ),
      responses: Object.fromEntries(
        ERROR_STATUSES.map((status) => [String(status), responseOf({ ...generalAnswer(status), resource: 'OperationOutcome' })]),
      ),
      ...(asksForTokens && { securitySchemes: { bearer: BEARER } }),
    },
  };
}

const ABOUT =
  'FHIR R4 (4.0.1), JSON only. Decimal numbers keep their written digits from request to answer: read `80.0` with a parser that keeps it, ' +
  'and send it as the scale showed it. Every refusal is an OperationOutcome whose issues name rule, element and remedy. GET answers HEAD too, but for `/fhir/$export`, which begins something; ' +
  'any other method at a path that is listed here is answered 405 with Allow. The FHIR base is `/fhir`; its CapabilityStatement at ' +
  '`/fhir/metadata` says the same in the standard’s own words. Schemas name FHIR resources and do not repeat their structure. ' +
  'Steelyard checks data entry and arithmetic; it makes no medical decision.';

const BEARER = {
  type: 'http',
  scheme: 'bearer',
  bearerFormat: 'JWT',
  description:
    'Access token of the issuer that GET /fhir/.well-known/smart-configuration names. What stands beside it are SMART scopes (SMART App Launch 2.2), of ' +
    'which version 1 spellings count too: system/ for programs, user/ for tokens that name a person.',
};

function schemaOf(type: string): object {
  return {
    type: 'object',
    description: `FHIR R4 ${type}, http://hl7.org/fhir/StructureDefinition/${type}. Its structure is the standard’s and is not repeated here.`,
    properties: { resourceType: { const: type } },
    required: ['resourceType'],
  };
}

function pathOf({ path }: DescribedRoute): string {
  return path.replace(/:([a-z]+)/g, '{$1}').replace(/(?<=.)\/$/, '');
}

function operationOf(route: DescribedRoute, asksForTokens: boolean): object {
  const { path, need, takes, says } = route;
  const { summary, means, query = [], headers = [], body } = says;
  const isForm = takes.some((type) => type.endsWith('urlencoded'));
  const ids = [...path.matchAll(/:([a-z]+)/g)].map(([, name]) => ({ name, in: 'path', required: true, schema: { type: 'string' } }));
  const asked = query.map(({ name, means: description, required = false, repeats = false }) => ({
    name,
    in: 'query',
    description,
    required,
    schema: repeats ? { type: 'array', items: { type: 'string' } } : { type: 'string' },
    ...(repeats && { explode: true }),
  }));
  const parameters = [...ids, ...(isForm ? [] : asked), ...headers.map((name) => ref('parameters', name))];
  return {
    operationId: operationIdOf(route),
    summary,
    description: [means, sentenceOf(need)].filter((text) => text !== '').join(' '),
    ...(path.startsWith('/fhir/') && { tags: [path.split('/')[2] ?? ''] }),
    ...(parameters.length > 0 && { parameters }),
    ...(takes.length > 0 && { requestBody: { required: !isForm, content: contentOf(takes, isForm ? formOf(says) : anyOf(body ?? [])) } }),
    responses: responsesOf(route, {
      isGuarded: need.kind !== 'nothing',
      takesBody: takes.length > 0,
      isFhir: route.isFhir,
      isLimited: route.isLimited,
    }),
    ...(asksForTokens && { security: securityOf(need) }),
  };
}

/** `get /fhir/Observation/:id/_history` as `get-fhir-Observation-id-_history`. */
function operationIdOf({ method, path }: DescribedRoute): string {
  return [method, ...path.split('/').filter((part) => part !== '')].map((part) => part.replace(/[:$]/g, '')).join('-');
}

function formOf({ query = [] }: Description): object {
  return { type: 'object', properties: Object.fromEntries(query.map(({ name, means }) => [name, { type: 'string', description: means }])) };
}

function anyOf(types: readonly string[]): object {
  const [only, ...more] = types.map((type) => ref('schemas', type));
  return more.length === 0 && only ? only : { anyOf: types.map((type) => ref('schemas', type)) };
}

function contentOf(media: readonly string[], schema: object): object {
  return Object.fromEntries(media.map((type) => [type, { schema }]));
}

function responsesOf({ says: { answers } }: DescribedRoute, traits: RouteTraits): object {
  const general = generalStatusesOf(traits).map((status): [string, object] => [String(status), ref('responses', status)]);
  return {
    ...Object.fromEntries(general),
    ...Object.fromEntries(Object.entries(answers).map(([status, answer]) => [status, responseOf(answer)])),
  };
}

function responseOf({ means, resource, media, headers = [] }: DescribedAnswer): object {
  const names: readonly AnswerHeader[] = ['X-Request-Id', ...headers];
  return {
    description: means,
    headers: Object.fromEntries(names.map((name) => [name, ref('headers', name)])),
    ...(resource !== undefined && { content: contentOf(FHIR_MEDIA, ref('schemas', resource)) }),
    ...(media && { content: contentOf(media, {}) }),
  };
}

/** Each alternative names all that one token must have (OpenAPI 3.1.0, Security Requirement Object: roles of an http scheme). */
function securityOf(need: Need): object[] {
  const granted = scopesFor(need);
  return granted.map((scopes) => ({ bearer: scopes === '' ? [] : scopes.split(' ') }));
}

function scopesFor(need: Need): string[] {
  switch (need.kind) {
    case 'nothing':
      return [];
    case 'entries':
      return [''];
    case 'scope':
      return ['system', 'user'].map((level) => `${level}/${need.type}.${need.letters.join('')}`);
    case 'scopes':
      return ['system', 'user'].map((level) => need.all.map(({ type, letters }) => `${level}/${type}.${letters.join('')}`).join(' '));
    case 'role':
      return need.roles.map((role) => ROLE_SCOPES[role]);
  }
}

function sentenceOf(need: Need): string {
  if (need.kind === 'nothing') return 'Open to everybody: it holds no patient data.';
  if (need.kind === 'entries') return 'Where tokens are asked for: each entry needs what a call of its own would need.';
  const person = need.kind === 'role' && need.person ? ', in a token that names a person' : '';
  return `Where tokens are asked for: ${scopesFor(need)
    .map((scopes) => scopes.replaceAll(' ', ' and '))
    .join(' or ')}${person}.`;
}
