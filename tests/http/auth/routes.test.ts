/**
 * Every route with every kind of token. The routes come from the router, what each needs is written
 * down here by hand: a route that nobody wrote down fails.
 */
import { beforeAll, describe, expect, test } from 'vitest';
import { createApp } from '../../../src/http/app.ts';
import { routesOf } from '../../../src/http/fhir-router.ts';
import { scopesServed } from '../../../src/http/auth/needs.ts';
import { issueCodes, treeOf } from '../edge.ts';
import { NURSE, startGuarded, type Guarded } from './guarded.ts';
import type { Claims } from './issuer.ts';

/** What a route needs: a scope (resource type and letters), a role, something writable, or nothing. */
const NEEDS: Readonly<Record<string, string>> = {
  'get /metadata': 'nothing',
  'get /.well-known/smart-configuration': 'nothing',
  'post /': 'any write',
  'post /Observation': 'Observation.c',
  'put /Observation/:id': 'Observation.u',
  'get /Observation/:id': 'Observation.r',
  'get /Observation/:id/_history/:version': 'Observation.r',
  'get /Observation/:id/_history': 'Observation.r',
  'get /Observation': 'Observation.s',
  'post /Observation/_search': 'Observation.s',
  'post /Observation/$validate': 'Observation.c',
  'post /Observation/$assess': 'Observation.c',
  'post /Observation/:id/$decide': 'reviewer',
  'post /Observation/:id/$undo': 'reviewer',
  'post /Observation/:id/$claim': 'reviewer',
  'get /Device/:id/$affected': 'Observation.rs',
  'post /Device/:id/$affected': 'Observation.rs',
  'post /Device/:id/$recall': 'reviewer or operator',
  ...Object.fromEntries(
    ['Patient', 'Device', 'DeviceMetric'].flatMap((type) => [
      [`put /${type}/:id`, `${type}.u`],
      [`get /${type}/:id`, `${type}.r`],
      [`get /${type}/:id/_history/:version`, `${type}.r`],
      [`get /${type}/:id/_history`, `${type}.r`],
      [`get /${type}`, `${type}.s`],
      [`post /${type}/_search`, `${type}.s`],
    ]),
  ),
  'get /Provenance/:id': 'Provenance.r',
  'get /Provenance': 'Provenance.s',
  'post /Provenance/_search': 'Provenance.s',
  'post /Subscription': 'Subscription.c Observation.rs',
  'get /Subscription/:id': 'Subscription.r',
  'delete /Subscription/:id': 'Subscription.d',
  'get /Subscription': 'Subscription.s',
  'post /Subscription/_search': 'Subscription.s',
  'get /Subscription/:id/$status': 'Subscription.r',
  'get /Subscription/:id/$events': 'Subscription.r Observation.r',
  'get /$export': 'Observation.rs',
  'get /$export/:id': 'Observation.rs',
  'delete /$export/:id': 'Observation.rs',
  'get /$export/:id/:part': 'Observation.rs',
  'get /AuditEvent/:id': 'AuditEvent.r',
  'get /AuditEvent': 'AuditEvent.s',
  'post /AuditEvent/_search': 'AuditEvent.s',
  ...Object.fromEntries(
    ['StructureDefinition', 'ValueSet', 'CodeSystem', 'ConceptMap', 'OperationDefinition', 'CapabilityStatement'].flatMap((type) => [
      [`get /${type}/:id`, 'nothing'],
      [`get /${type}`, 'nothing'],
      [`post /${type}/_search`, 'nothing'],
    ]),
  ),
};

const TOKENS: Readonly<Record<string, Claims>> = {
  gateway: { scope: 'system/Observation.cu system/Device.u' },
  'gateway of version 1': { scope: 'system/Observation.write' },
  reader: { client_id: 'ehr', sub: 'ehr', scope: 'system/Observation.rs system/Provenance.rs' },
  'reader of everything': { client_id: 'ehr', sub: 'ehr', scope: 'system/*.read' },
  'ehr that subscribes': { client_id: 'ehr', sub: 'ehr', scope: 'system/Subscription.crds system/Observation.rs' },
  'a program that may subscribe and not read': { client_id: 'ehr', sub: 'ehr', scope: 'system/Subscription.cruds' },
  registrar: { client_id: 'adt', sub: 'adt', scope: 'system/Patient.cruds system/DeviceMetric.u' },
  'a gateway with the scope to review': { scope: 'system/Observation.c steelyard/review' },
  'a program that operates': { client_id: 'ops', sub: 'ops', scope: 'steelyard/operate' },
  nurse: NURSE,
  engineer: {
    client_id: 'workshop',
    sub: 'engineer-3',
    fhirUser: 'Practitioner/engineer-3',
    scope: 'user/Device.cruds user/Observation.rs steelyard/operate',
  },
  'a person with scopes for programs only': { sub: 'nurse-8', fhirUser: 'Practitioner/nurse-8', scope: 'system/Observation.r' },
  'an account of a program with scopes for people': { sub: 'account-5', scope: 'user/*.cruds steelyard/review' },
  'a device with scopes for people': { sub: 'device-5', fhirUser: 'Device/scale-1', scope: 'user/*.cruds steelyard/review' },
  'a program with scopes for people': { scope: 'user/*.cruds' },
  'restricted by a query': { scope: 'system/Observation.cruds?category=vital-signs' },
  'without a scope': { scope: undefined },
  'for one patient': { sub: 'p', scope: 'patient/*.cruds' },
};

const V1: Readonly<Record<string, string>> = { read: 'rs', write: 'cud', '*': 'cruds' };

/** Written apart from the code under test, straight from the words of the standard. */
function isAllowed(need: string, claims: Claims): boolean {
  const scopes = (claims['scope'] as string | undefined)?.split(' ') ?? [];
  const hasPerson =
    String(claims['fhirUser']).startsWith('Practitioner/') &&
    claims['sub'] !== undefined &&
    claims['sub'] !== (claims['client_id'] ?? 'gateway-a');
  const may = (type: string, letter: string): boolean =>
    scopes.some((scope) => {
      const [level = '', rest = ''] = scope.split('/');
      const [of, letters = ''] = rest.split('.');
      if (level !== 'system' && !(level === 'user' && hasPerson)) return false;
      return (of === type || of === '*') && (V1[letters] ?? (letters.includes('?') ? '' : letters)).includes(letter);
    });
  const reviews = scopes.includes('steelyard/review') && hasPerson;
  const operates = scopes.includes('steelyard/operate');
  if (need === 'nothing') return true;
  if (need === 'any write')
    return ['Observation', 'Patient', 'Device', 'DeviceMetric'].some((type) => may(type, 'u')) || may('Observation', 'c');
  if (need === 'reviewer') return reviews;
  if (need === 'reviewer or operator') return reviews || (operates && hasPerson);
  if (need === 'operator') return operates;
  return need.split(' ').every((one) => {
    const [type = '', letters = ''] = one.split('.');
    return letters.split('').every((letter) => may(type, letter));
  });
}

let guarded: Guarded;
const routes = (): ReturnType<typeof routesOf> =>
  routesOf({ artefacts: [], auth: {}, subscriptions: { targets: [] } } as unknown as Parameters<typeof routesOf>[0]);

describe('every route', () => {
  beforeAll(async () => {
    guarded = await startGuarded();
  });

  test('is written down here with what it needs, and every one written down is there', () => {
    const named = routes().map(({ method, path }) => `${method} ${path.replace('%24', '$')}`);
    expect([...new Set(named)].sort()).toEqual(Object.keys(NEEDS).sort());
  });

  test.each(Object.keys(TOKENS))('answers a token of kind "%s" as its scopes say', { timeout: 60_000 }, async (kind) => {
    const claims = TOKENS[kind] ?? {};
    const bearer = `Bearer ${await guarded.token(claims)}`;
    const wrong: string[] = [];
    for (const { method, path } of routes()) {
      const need = NEEDS[`${method} ${path.replace('%24', '$')}`] ?? '';
      const url = `/fhir${path.replace(':id', 'x').replace(':version', '1').replace(':part', '0')}`;
      const type = path.endsWith('_search') ? 'application/x-www-form-urlencoded' : 'application/fhir+json';
      const { status } = await guarded.service.call(method.toUpperCase(), url, {
        headers: { Authorization: bearer, 'Content-Type': type },
        ...(method !== 'get' && method !== 'delete' && { body: '' }),
      });
      // whoever is let in gets as far as an empty body or an id that is not there: never 401 or 403
      const isLetIn = status !== 401 && status !== 403;
      if (isLetIn !== isAllowed(need, claims) || (!isLetIn && status !== 403)) wrong.push(`${method} ${path}: ${status}`);
    }
    expect(wrong).toEqual([]);
  });

  test('answers nobody but 401 where something is needed, and everybody where nothing is', { timeout: 60_000 }, async () => {
    const bad = { Authorization: 'Bearer abc.def.ghi' };
    for (const { method, path } of routes()) {
      const isOpen = NEEDS[`${method} ${path.replace('%24', '$')}`] === 'nothing';
      const url = `/fhir${path.replace(':id', 'x').replace(':version', '1').replace(':part', '0')}`;
      for (const headers of [{}, bad]) {
        const answer = await guarded.service.call(method.toUpperCase(), url, { headers });
        expect(answer.status === 401, `${method} ${path}: ${answer.status}`).toBe(!isOpen);
        if (isOpen) continue;
        expect(answer.headers['www-authenticate']).toBe(
          headers === bad ? 'Bearer realm="steelyard", error="invalid_token"' : 'Bearer realm="steelyard"',
        );
        expect(issueCodes(answer)).toEqual(['login']);
      }
    }
  });

  test('is closed to HEAD as it is to GET', async () => {
    expect((await guarded.service.call('HEAD', '/fhir/Observation/x')).status).toBe(401);
    expect((await guarded.as({ scope: 'system/Observation.c' }, 'HEAD', '/fhir/Observation/x')).status).toBe(403);
  });

  test('of the router stands in the list that is guarded, and all others are known pages', () => {
    const app = createApp({
      rules: [],
      artefacts: [],
      auth: {},
      subscriptions: { targets: [] },
      examples: new Map(),
    } as unknown as Parameters<typeof createApp>[0]);
    const layers = (app as unknown as { router: { stack: { route?: { path: string }; handle: { stack?: unknown[] } }[] } }).router.stack;
    const pages = layers.flatMap(({ route }) => (route ? [route.path] : []));
    expect(pages.sort()).toEqual(['/health/live', '/health/ready', '/metrics', '/openapi.json', '/rules', '/rules/:id']);
    // the FHIR base, and the pages for people, whose door is their own (tests/http/sign-in)
    expect(layers.filter(({ handle }) => handle.stack !== undefined)).toHaveLength(3);
  });
});

describe('pages outside FHIR', () => {
  beforeAll(async () => {
    guarded = await startGuarded();
  });

  test.each(['/health/live', '/health/ready', '/rules', '/openapi.json', '/fhir/metadata'])(
    '%s is open, whatever token comes along',
    async (path) => {
      for (const headers of [{}, { Authorization: 'Bearer abc.def.ghi' }, { Authorization: 'Basic dXNlcjpwYXNz' }]) {
        expect((await guarded.service.call('GET', path, { headers: { Accept: '*/*', ...headers } })).status).toBe(200);
      }
    },
  );

  test('/metrics is for those who operate', async () => {
    expect((await guarded.service.call('GET', '/metrics')).status).toBe(401);
    for (const [kind, claims] of Object.entries(TOKENS)) {
      const { status } = await guarded.as(claims, 'GET', '/metrics');
      expect([kind, status]).toEqual([kind, isAllowed('operator', claims) ? 200 : 403]);
    }
  });
});

describe('what a token lacks', () => {
  beforeAll(async () => {
    guarded = await startGuarded();
  });

  test.each([
    [{ scope: 'system/Observation.c' }, 'GET', '/fhir/Observation/x', 'system/Observation.r'],
    [{ ...NURSE, scope: 'user/Observation.r' }, 'GET', '/fhir/Observation', 'user/Observation.s'],
    [{ scope: 'system/Observation.c' }, 'POST', '/fhir/Observation/x/$decide', 'steelyard/review'],
    [{ scope: 'system/Observation.c' }, 'POST', '/fhir/Device/x/$recall', 'steelyard/review steelyard/operate'],
    [{ scope: 'system/Observation.r' }, 'POST', '/fhir', 'system/Observation.c'],
    [{ scope: 'system/Subscription.c' }, 'POST', '/fhir/Subscription', 'system/Observation.rs'],
    [{ scope: 'system/Patient.r' }, 'POST', '/fhir/Subscription', 'system/Subscription.c system/Observation.rs'],
  ])('%j is said to %s %s: %s', async (claims, method, path, scope) => {
    const answer = await guarded.as(claims, method, path, method === 'GET' ? undefined : '{}');
    expect([answer.status, issueCodes(answer), answer.headers['www-authenticate']]).toEqual([
      403,
      ['forbidden'],
      `Bearer realm="steelyard", error="insufficient_scope", scope="${scope}"`,
    ]);
  });

  test('a program with the scope to review is told that it is no person', async () => {
    const answer = await guarded.as({ scope: 'steelyard/review' }, 'POST', '/fhir/Observation/x/$decide', '{}');
    expect([answer.status, answer.headers['www-authenticate']]).toEqual([403, undefined]);
    expect(answer.text).toContain('Only a person may do this');
  });
});

describe('what is published of the door', () => {
  beforeAll(async () => {
    guarded = await startGuarded();
  });

  test('the smart-configuration says what is known here, and the statement that a token is asked for', async () => {
    const configuration = await guarded.service.call('GET', '/fhir/.well-known/smart-configuration');
    expect(configuration.headers['content-type']).toMatch(/^application\/json/);
    expect(treeOf(configuration)).toEqual({
      issuer: 'https://login.harbourlight.example',
      scopes_supported: scopesServed(),
      capabilities: ['permission-v1', 'permission-v2'],
    });
    expect(scopesServed()).toEqual([
      ...['system', 'user'].flatMap((level) =>
        ['Observation.crus', 'Patient.rus', 'Device.rus', 'DeviceMetric.rus', 'Provenance.rs', 'AuditEvent.rs', 'Subscription.crds'].map(
          (rest) => `${level}/${rest}`,
        ),
      ),
      'steelyard/review',
      'steelyard/operate',
    ]);
    const { rest } = treeOf(await guarded.service.call('GET', '/fhir/metadata')) as { rest?: { security?: object }[] };
    expect(JSON.stringify(rest?.[0]?.security)).toContain('SMART-on-FHIR');
    expect(JSON.stringify(rest)).not.toContain('Everybody who reaches the port may call');
  });
});
