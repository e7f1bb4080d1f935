/**
 * The API description against the service that it describes: every mounted route and no other, every
 * status that it names, every parameter, every scope. Its form is checked by the OpenAPI Initiative's
 * own JSON Schema (OpenAPI Specification 3.1.0), with the validator of that name from the registry.
 */
import { Validator } from '@seriousme/openapi-schema-validator';
import { randomUUID } from 'node:crypto';
import { beforeAll, beforeEach, describe, expect, test } from 'vitest';
import { loadArtefacts } from '../../src/artefacts.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { createApp } from '../../src/http/app.ts';
import { DEFAULT_LIMITS } from '../../src/http/limits.ts';
import type { Serving } from '../../src/http/serving.ts';
import { createIntake } from '../../src/ingest.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { CLOCK as NOW_CLOCK, weight } from '../measurements.ts';
import { NURSE, startGuarded } from './auth/guarded.ts';
import { IDENTIFIER_SYSTEM, keep } from './stored.ts';
import { startEdge, type Answer, type Asked, type Edge } from './edge.ts';

interface Operation {
  readonly operationId: string;
  readonly parameters?: readonly { readonly name: string; readonly in: string; readonly required: boolean }[];
  readonly requestBody?: { readonly content: Readonly<Record<string, object>> };
  readonly responses: Readonly<Record<string, { readonly $ref?: string; readonly content?: Readonly<Record<string, object>> }>>;
  readonly security?: readonly { readonly bearer: readonly string[] }[];
}
interface Described {
  readonly paths: Readonly<Record<string, Readonly<Record<string, Operation>>>>;
}

/** The whole service, but for its outgoing side. */
async function startWhole(serving: Partial<Serving> = {}): Promise<Edge> {
  const store = await openSqliteStore(':memory:', { clock: NOW_CLOCK });
  return startEdge({
    serving: {
      store,
      artefacts: loadArtefacts(),
      intake: (call) =>
        createIntake({ call, store, clock: NOW_CLOCK, policy: () => DEFAULT_POLICY, newId: randomUUID, knownBases: [], forwards: false }),
      limits: { ...DEFAULT_LIMITS, requestsPerMinute: 1_000_000 },
      ...serving,
    },
  });
}

let edge: Edge;
let described: Described;
beforeEach(async () => {
  edge = await startWhole();
  described = JSON.parse((await edge.call('GET', '/openapi.json')).text) as Described;
});

const operations = (): { method: string; path: string; operation: Operation }[] =>
  Object.entries(described.paths).flatMap(([path, methods]) =>
    Object.entries(methods).map(([method, operation]) => ({ method, path, operation })),
  );
/** Nothing is stored under these. */
const addressOf = (path: string): string =>
  path === '/rules/{id}'
    ? '/rules/precision-step'
    : path.replaceAll(/\{(id|version)\}/g, (_, name) => (name === 'version' ? '1' : 'nobody'));
const isForm = ({ requestBody }: Operation): boolean => Object.keys(requestBody?.content ?? {}).some((type) => type.endsWith('urlencoded'));
const json = { 'Content-Type': 'application/fhir+json' };

describe('the API description', () => {
  test('is OpenAPI 3.1.0 by the schema of its own specification, under which a broken one is not', async () => {
    const text = (await edge.call('GET', '/openapi.json')).text;
    expect(await new Validator().validate(JSON.parse(text) as Record<string, unknown>)).toMatchObject({ valid: true });
    const broken = JSON.parse(text.replaceAll('"responses":', '"answers":')) as Record<string, unknown>;
    expect(await new Validator().validate(broken)).toMatchObject({ valid: false });
  });

  test('refers to nothing that is not in it, defines nothing that is never used, and has each operation id once', async () => {
    const { text } = await edge.call('GET', '/openapi.json');
    const { components } = JSON.parse(text) as { components: Record<string, Record<string, object>> };
    const defined = Object.entries(components).flatMap(([kind, named]) => Object.keys(named).map((name) => `#/components/${kind}/${name}`));
    const used = new Set([...text.matchAll(/"\$ref":"([^"]+)"/g)].map(([, ref]) => String(ref)));
    // what several routes answer of their own needs no shared form
    const ofOwn = ['#/components/responses/404', '#/components/responses/405', '#/components/responses/409', '#/components/responses/412'];
    expect([...used].filter((ref) => !defined.includes(ref))).toEqual([]);
    expect(defined.filter((ref) => !used.has(ref) && !ofOwn.includes(ref))).toEqual([]);
    const ids = operations().map(({ operation }) => operation.operationId);
    expect(new Set(ids).size).toBe(ids.length);
  });

  test('describes every route that is mounted, and no other', () => {
    interface Layer {
      readonly route?: { readonly path: string; readonly methods: Readonly<Record<string, boolean>> };
      readonly handle: { readonly stack?: readonly Layer[] };
    }
    const routesIn = (layers: readonly Layer[], below: string): string[] =>
      layers.flatMap(({ route }) =>
        Object.keys(route?.methods ?? {}).flatMap((method) =>
          method === '_all' ? [] : [`${method} ${below}${route?.path.replace(/:([a-z]+)/g, '{$1}') ?? ''}`.replace(/(?<=.)\/$/, '')],
        ),
      );
    const app = createApp({
      rules: [],
      artefacts: [],
      auth: {},
      subscriptions: { targets: [] },
      examples: new Map(),
    } as unknown as Serving);
    const { stack } = (app as unknown as { router: { stack: Layer[] } }).router;
    const routers = stack.flatMap(({ handle }) => (handle.stack === undefined ? [] : [handle.stack]));
    // whoever mounts another router says here where, and describes its routes; pages for people are none of the API's
    expect(routers).toHaveLength(3);
    const [pages = [], trying = [], fhir = []] = routers;
    expect(routesIn(trying, '/try')).toContain('post /try');
    expect(routesIn(pages, '/review')).toContain('get /review/readings/{id}');
    const mounted = [...routesIn(stack, ''), ...routesIn(fhir, '/fhir')].filter((route) => !route.includes('%24'));
    expect(mounted.length).toBeGreaterThan(60);
    expect(
      operations()
        .map(({ method, path }) => `${method} ${path}`)
        .sort(),
    ).toEqual(mounted.sort());
  });

  test('is open to everybody and holds nothing of anybody', async () => {
    await edge.post('/fhir/Observation', stringifyExact(weight()));
    const { status, text, headers } = await edge.call('GET', '/openapi.json', { headers: { Authorization: 'Bearer abc.def.ghi' } });
    expect([status, headers['content-type']]).toEqual([200, 'application/json; charset=utf-8']);
    expect(text).not.toContain('Patient/ada');
  });

  test('names the address that the service is known by', async () => {
    const serversOf = async (baseUrl: string): Promise<unknown> => {
      const other = await startWhole({ baseUrl });
      return (JSON.parse((await other.call('GET', '/openapi.json')).text) as { servers: unknown }).servers;
    };
    expect(await serversOf('https://scales.harbourlight.example/fhir')).toEqual([{ url: 'https://scales.harbourlight.example' }]);
    expect(await serversOf('https://scales.harbourlight.example/r4')).toEqual([{ url: 'https://scales.harbourlight.example' }]);
  });
});

/** Refusals that stand before every handler, by status: how each is brought about, on whatever service it takes. */
const PROVOKED: Readonly<
  Record<string, { readonly on?: Partial<Serving>; readonly asked: (operation: Operation) => Asked & { readonly query?: string } }>
> = {
  400: { asked: () => ({ query: 'x=%zz' }) },
  406: { asked: () => ({ headers: { Accept: 'application/xml' } }) },
  413: { asked: (operation) => ({ headers: { ...bodyOf(operation), 'Content-Length': '9999999' } }) },
  414: { asked: () => ({ query: `x=${'x'.repeat(9000)}` }) },
  415: { asked: ({ requestBody }) => ({ headers: { 'Content-Type': 'text/plain' }, ...(requestBody && { body: 'x' }) }) },
  417: { asked: () => ({ headers: { Expect: '418-a-teapot' } }) },
  429: { on: { limits: { ...DEFAULT_LIMITS, requestsPerMinute: 0 } }, asked: () => ({}) },
  431: { asked: () => ({ headers: { 'X-Long': 'x'.repeat(9000) } }) },
  503: { on: { isStopping: () => true }, asked: () => ({}) },
};
const bodyOf = (operation: Operation) => ({
  'Content-Type': isForm(operation) ? 'application/x-www-form-urlencoded' : 'application/fhir+json',
});
/** A minute's wait, and a fault of ours, for each route: tests/http/slow-clients.test.ts and errors.test.ts bring them about. */
const ELSEWHERE = ['408', '500'];
const OF_TOKENS = ['401', '403'];

describe('a refusal that stands before the handlers', () => {
  test.each(Object.keys(PROVOKED))('%s is given by exactly the routes that name it', async (status) => {
    const { on, asked } = PROVOKED[status]!;
    const service = on ? await startWhole(on) : edge;
    const wrong: string[] = [];
    for (const { method, path, operation } of operations()) {
      const { query, ...request } = asked(operation);
      const { status: given } = await service.call(
        method.toUpperCase(),
        `${addressOf(path)}${query === undefined ? '' : `?${query}`}`,
        request,
      );
      const isNamed = operation.responses[status] !== undefined;
      // the metrics need a token, whose keys may be out of reach: the one 503 that is not of load
      if ((given === Number(status)) !== isNamed && !(path === '/metrics' && status === '503')) wrong.push(`${method} ${path}: ${given}`);
    }
    expect(wrong).toEqual([]);
  });
});

describe('an answer that a call has of its own', () => {
  type Step = readonly [method: string, path: string, body?: string | object | undefined, headers?: Readonly<Record<string, string>>];
  const given = new Map<string, Set<string>>();
  const note = (method: string, path: string, { status }: Answer): void => {
    const template = operations().find(
      ({ method: of, path: at }) =>
        of === method.toLowerCase() &&
        new RegExp(`^${at.replaceAll('$', '\\$').replaceAll(/\{\w+\}/g, '[^/$]+')}$`).test(path.split('?')[0] ?? '') &&
        !/\/(_search|_history)$/.test(at) === !/\/(_search|_history)$/.test(path.split('?')[0] ?? ''),
    );
    const key = `${method.toLowerCase()} ${template?.path ?? path}`;
    given.set(key, (given.get(key) ?? new Set()).add(String(status)));
  };
  const ask = async (service: Edge, [method, path, body, headers = {}]: Step): Promise<Answer> => {
    const text = body === undefined || typeof body === 'string' ? body : stringifyExact(body);
    const answer = await service.call(method, path, {
      headers: { ...(body !== undefined && json), ...headers },
      ...(text !== undefined && { body: text }),
    });
    note(method, path, answer);
    return answer;
  };
  const idIn = ({ headers }: Answer): string => /\/([^/]+)\/_history/.exec(headers.location ?? '')?.[1] ?? '';
  const parameters = (...given: readonly object[]): object => ({ resourceType: 'Parameters', parameter: given });
  const identified = (value: string) => ({ identifier: [{ system: 'urn:harbourlight:gateway', value }] });
  const transaction = (request: object, resource: object): object => ({
    resourceType: 'Bundle',
    type: 'transaction',
    entry: [{ request, resource }],
  });
  const POST = { method: 'POST', url: 'Observation' };
  const WHO = { name: 'who', valueReference: { reference: 'Practitioner/nurse-invented' } };
  const decision = (code: string, ...more: readonly object[]): object =>
    parameters({ name: 'decision', valueCode: code }, { name: 'reason', valueString: 'Weighed with her coat on, she says.' }, WHO, ...more);
  const subject = { name: 'subject', valueReference: { reference: 'Patient/ada' } };

  test('is given once at least, and no other is', async () => {
    given.clear();
    const accepted = await ask(edge, ['POST', '/fhir/Observation', weight('70.0', 'kg', identified('w1'))]);
    await ask(edge, ['POST', '/fhir/Observation', weight('70.0', 'kg', identified('w1'))]);
    await ask(edge, ['POST', '/fhir/Observation', weight('71.0', 'kg', identified('w1'))]);
    await ask(edge, ['POST', '/fhir/Observation', weight('70.01', 'kg')]);
    const held = idIn(await ask(edge, ['POST', '/fhir/Observation', weight('140.0', 'kg', { effectiveDateTime: '2026-03-02T09:30:00Z' })]));
    const id = idIn(accepted);
    // an older store may hold two readings of one identifier; the intake takes no second one
    for (const twin of ['twin-1', 'twin-2']) await keep(edge.store, { id: twin, person: 'Patient/bo', identifier: 'twin' });
    const condition = { 'If-None-Exist': `identifier=${IDENTIFIER_SYSTEM}|twin` };
    await ask(edge, ['POST', '/fhir/Observation', weight('81.0', 'kg', { subject: { reference: 'Patient/bo' } }), condition]);
    // what others say of a reading gives it new versions
    const versionOf = async (at: string): Promise<string> =>
      /\d+/.exec((await edge.call('GET', `/fhir/Observation/${at}`)).headers.etag ?? '')?.[0] ?? '';
    const put = (at: string, body: object, version = '1'): Step => [
      'PUT',
      `/fhir/Observation/${at}`,
      { ...body, id: at },
      { 'If-Match': `W/"${version}"` },
    ];
    await ask(edge, put(id, weight('70.2', 'kg', identified('w1'))));
    await ask(edge, put(id, weight('70.4', 'kg', identified('w1'))));
    await ask(edge, put(id, weight('70.01', 'kg', identified('w1')), '2'));
    await ask(edge, put('nobody', weight()));
    await ask(edge, [
      'POST',
      '/fhir/Observation',
      weight('72.0', 'kg', { ...identified('w2'), effectiveDateTime: '2026-03-02T07:00:00Z' }),
    ]);
    await ask(edge, put(id, weight('70.2', 'kg', identified('w2')), await versionOf(id)));
    await ask(edge, put(id, weight('150.0', 'kg', identified('w1')), await versionOf(id)));

    for (const type of ['Patient', 'Device', 'DeviceMetric']) {
      const resource = {
        resourceType: type,
        id: 'ada',
        ...(type === 'DeviceMetric' && { type: { text: 'scale' }, category: 'measurement' }),
      };
      await ask(edge, ['PUT', `/fhir/${type}/ada`, resource]);
      await ask(edge, ['PUT', `/fhir/${type}/ada`, resource]);
      await ask(edge, ['PUT', `/fhir/${type}/ada`, resource, { 'If-Match': 'W/"9"' }]);
      await ask(edge, ['PUT', `/fhir/${type}/ada`, { ...resource, implicitRules: 'urn:harbourlight:rules' }]);
    }
    const provenance = `prov-${id}-1`;
    for (const [type, one] of [
      ['Observation', id],
      ['Patient', 'ada'],
      ['Device', 'ada'],
      ['DeviceMetric', 'ada'],
      ['Provenance', provenance],
    ] as const)
      for (const more of ['', '/_history', '/_history/1']) {
        if (type === 'Provenance' && more !== '') continue;
        await ask(edge, ['GET', `/fhir/${type}/${one}${more}`]);
        await ask(edge, ['GET', `/fhir/${type}/nobody${more}`]);
        await ask(edge, ['GET', `/fhir/${type}/${one}${more}`, undefined, { 'If-None-Match': '*' }]);
      }
    for (const { type, id: one } of loadArtefacts()) await ask(edge, ['GET', `/fhir/${type}/${one}`]);
    for (const type of new Set(loadArtefacts().map((artefact) => artefact.type))) await ask(edge, ['GET', `/fhir/${type}/nobody`]);
    await ask(edge, ['GET', '/fhir/AuditEvent/1']);
    await ask(edge, ['GET', '/fhir/AuditEvent/nobody']);
    for (const { method, path } of operations())
      if (method === 'get' && !path.includes('{'))
        await ask(edge, ['GET', path, undefined, path === '/rules' ? { Accept: 'text/html' } : {}]);
      else if (path.endsWith('/_search')) await ask(edge, ['POST', path, '', { 'Content-Type': 'application/x-www-form-urlencoded' }]);

    await ask(edge, ['POST', '/fhir/Observation/$validate', weight()]);
    await ask(edge, ['POST', '/fhir/Observation/$assess', weight()]);
    const decide = (at: string, body: object, version?: string): Step => [
      'POST',
      `/fhir/Observation/${at}/$decide`,
      body,
      version === undefined ? {} : { 'If-Match': `W/"${version}"` },
    ];
    await ask(edge, decide('nobody', decision('keep')));
    await ask(edge, decide(held, decision('keep'), '9'));
    await ask(
      edge,
      decide(
        held,
        decision('correct', { name: 'value', valueQuantity: (weight('70.01') as unknown as { valueQuantity: object }).valueQuantity }),
      ),
    );
    await ask(edge, decide(held, decision('keep')));
    await ask(edge, decide(held, decision('keep')));
    for (const method of ['GET', 'POST'] as const)
      for (const device of ['ada', 'nobody'])
        await ask(
          edge,
          method === 'GET'
            ? ['GET', `/fhir/Device/${device}/$affected?since=2026-03-01`]
            : ['POST', `/fhir/Device/${device}/$affected`, parameters({ name: 'since', valueDateTime: '2026-03-01' })],
        );
    const recall = parameters(
      { name: 'since', valueDateTime: '2026-03-01' },
      { name: 'action', valueCode: 'flagged' },
      { name: 'reason', valueString: 'Foot broken.' },
      { name: 'who', valueString: 'Invented Engineer' },
    );
    for (const device of ['ada', 'nobody']) await ask(edge, ['POST', `/fhir/Device/${device}/$recall`, recall]);

    await ask(edge, ['POST', '/fhir', transaction(POST, weight('73.0', 'kg', { effectiveDateTime: '2026-03-02T04:00:00Z' }))]);
    await ask(edge, ['POST', '/fhir', transaction(POST, weight('70.01'))]);
    await ask(edge, ['POST', '/fhir', transaction(POST, weight('75.0', 'kg', identified('w1')))]);
    await ask(edge, ['POST', '/fhir', transaction({ method: 'PUT', url: `Observation/${id}`, ifMatch: 'W/"9"' }, { ...weight(), id })]);
    await ask(edge, [
      'POST',
      '/fhir',
      transaction({ method: 'PUT', url: 'Observation/nobody', ifMatch: 'W/"1"' }, { ...weight(), id: 'nobody' }),
    ]);
    await ask(edge, [
      'POST',
      '/fhir',
      transaction(POST, weight('70.0', 'kg', { subject: { reference: 'Patient?identifier=urn:harbourlight:people|nobody' } })),
    ]);

    const undo = (at: string, version?: string): Step => [
      'POST',
      `/fhir/Observation/${at}/$undo`,
      parameters(WHO),
      version === undefined ? {} : { 'If-Match': `W/"${version}"` },
    ];
    await ask(edge, undo('nobody'));
    await ask(edge, undo(held, '9'));
    await ask(edge, undo(held));
    await ask(edge, undo(held));

    const told = await startWhole({ subscriptions: { targets: ['http://127.0.0.1:9000/'], added: () => undefined } });
    const subscription = {
      resourceType: 'Subscription',
      status: 'requested',
      reason: 'Weights for the chart',
      criteria: 'Observation',
      channel: { type: 'rest-hook', endpoint: 'http://127.0.0.1:9000/weights', payload: 'application/fhir+json' },
    };
    await ask(edge, ['POST', '/fhir/Subscription', subscription]);
    const [made] = await Promise.all(Array.from({ length: 51 }, () => ask(told, ['POST', '/fhir/Subscription', subscription])));
    const subscribed = made?.headers.location?.split('/').at(-1) ?? '';
    for (const at of [subscribed, 'nobody']) {
      for (const more of ['', '/$status', '/$events']) await ask(told, ['GET', `/fhir/Subscription/${at}${more}`]);
      await ask(told, ['DELETE', `/fhir/Subscription/${at}`]);
    }

    const begun = await ask(edge, ['GET', '/fhir/$export', undefined, { Prefer: 'respond-async' }]);
    const exported = begun.headers['content-location']?.split('/').at(-1) ?? '';
    for (const at of [exported, 'nobody']) {
      const status = await ask(edge, ['GET', `/fhir/$export/${at}`]);
      const [file] = status.status === 200 ? (JSON.parse(status.text) as { output: { url: string }[] }).output : [];
      await ask(edge, ['GET', `/fhir/$export/${at}/${file?.url.split('/').at(-1) ?? '0'}`]);
      await ask(edge, ['DELETE', `/fhir/$export/${at}`]);
    }

    // a store so large that one answer does not see the end of the counting
    const large = await openSqliteStore(':memory:', { clock: NOW_CLOCK });
    await keep(large, { id: 'counted-later' });
    large.exports.advance = () => Promise.resolve();
    const counting = await startWhole({ store: large });
    const slow = await ask(counting, ['GET', '/fhir/$export', undefined, { Prefer: 'respond-async' }]);
    const underWay = await ask(counting, ['GET', `/fhir/$export/${slow.headers['content-location']?.split('/').at(-1) ?? ''}`]);
    expect(underWay.headers).toMatchObject({ 'x-progress': '0 % of the store counted', 'retry-after': '1' });

    await ask(edge, ['GET', '/rules/no-such-rule']);
    await ask(edge, ['GET', '/rules/precision-step']);
    await ask(edge, ['GET', '/rules', undefined, { Accept: 'application/xml' }]);
    await ask(edge, ['GET', '/rules/precision-step', undefined, { Accept: 'application/xml' }]);
    const stopping = await startWhole({ isStopping: () => true });
    await ask(stopping, ['GET', '/health/ready']);

    // readings that nobody is named in, where the policy takes them
    const open = { ...DEFAULT_POLICY, values: { ...DEFAULT_POLICY.values, 'unassigned.accept': true } };
    const store = await openSqliteStore(':memory:', { clock: NOW_CLOCK });
    const desk = await startWhole({
      store,
      intake: (call) =>
        createIntake({ call, store, clock: NOW_CLOCK, policy: () => open, newId: randomUUID, knownBases: [], forwards: false }),
    });
    const nobodys = async (value: string): Promise<string> =>
      idIn(
        await ask(desk, [
          'POST',
          '/fhir/Observation',
          weight(value, 'kg', { subject: undefined, effectiveDateTime: '2026-03-02T09:50:00Z', device: { reference: 'Device/scale-1' } }),
        ]),
      );
    const claim = (at: string, version?: string, named: object = subject): Step => [
      'POST',
      `/fhir/Observation/${at}/$claim`,
      parameters(named, WHO),
      version === undefined ? {} : { 'If-Match': `W/"${version}"` },
    ];
    const waits = await nobodys('70.0');
    await ask(desk, claim('nobody'));
    await ask(desk, claim(waits, '9'));
    await ask(desk, claim(waits));
    await ask(desk, claim(waits));
    await desk.call('PUT', '/fhir/Patient/newborn', {
      headers: json,
      body: '{"resourceType":"Patient","id":"newborn","birthDate":"2026-02-27"}',
    });
    await ask(desk, claim(await nobodys('71.0'), undefined, { ...subject, valueReference: { reference: 'Patient/newborn' } }));

    const { service } = await startGuarded();
    note('GET', '/fhir/.well-known/smart-configuration', await service.call('GET', '/fhir/.well-known/smart-configuration'));

    const wrong = operations().flatMap(({ method, path, operation }) => {
      const own = Object.entries(operation.responses)
        .filter(([status, { $ref }]) => $ref === undefined && !ELSEWHERE.includes(status))
        .map(([status]) => status);
      const seen = [...(given.get(`${method} ${path}`) ?? [])];
      const never = own.filter((status) => !seen.includes(status)).map((status) => `${method} ${path}: ${status} was not brought about`);
      const unnamed = seen
        .filter((status) => operation.responses[status] === undefined)
        .map((status) => `${method} ${path}: ${status} is not named`);
      return [...never, ...unnamed];
    });
    expect(wrong).toEqual([]);
  });
});

describe('a parameter', () => {
  const values: Readonly<Record<string, string>> = {
    date: '2026',
    _lastUpdated: '2026',
    since: '2026-03-01',
    _sort: '-date',
    _include: 'Observation:derived-from',
    _summary: 'count',
    _total: 'none',
    _count: '1',
    _format: 'json',
    mode: 'create',
    entity: 'Observation/x',
    'patient:identifier': 'a|b',
    'patient.identifier': 'a|b',
    'subject:identifier': 'a|b',
    'subject.identifier': 'a|b',
  };

  test('of a search is taken where it is named, and refused where it is not', async () => {
    const searches = operations().filter(({ method, path }) => method === 'get' && /^\/fhir\/[A-Z][A-Za-z]+$/.test(path));
    const namesOf = ({ parameters = [] }: Operation): string[] =>
      parameters.flatMap((one) => (one.in === 'query' && one.name !== '_cursor' ? [one.name] : []));
    const all = new Set(searches.flatMap(({ operation }) => namesOf(operation)));
    expect(all.size).toBeGreaterThan(20);
    for (const { path, operation } of searches)
      for (const name of all) {
        const { status } = await edge.call('GET', `${path}?${encodeURIComponent(name)}=${encodeURIComponent(values[name] ?? 'x')}`);
        expect([path, name, status]).toEqual([path, name, namesOf(operation).includes(name) ? 200 : 400]);
      }
  });
});

describe('a parameter of an operation that is asked by GET', () => {
  const values: Readonly<Record<string, string>> = {
    eventsSinceNumber: '1',
    eventsUntilNumber: '1',
    content: 'empty',
    _type: 'Observation',
    _since: '2026-03-01T08:00:00Z',
    _outputFormat: 'ndjson',
    _format: 'json',
    patient: 'ada',
  };

  test('is taken where it is named, and refused where it is not', async () => {
    const service = await startWhole({ subscriptions: { targets: ['http://127.0.0.1:9000/'], added: () => undefined } });
    const { headers } = await service.post(
      '/fhir/Subscription',
      stringifyExact({
        resourceType: 'Subscription',
        status: 'requested',
        reason: 'Weights for the chart',
        criteria: 'Observation',
        channel: { type: 'rest-hook', endpoint: 'http://127.0.0.1:9000/weights', payload: 'application/fhir+json' },
      }),
    );
    for (const [path, at, taken] of [
      ['/fhir/Subscription/{id}/$events', `/fhir/Subscription/${headers.location?.split('/').at(-1) ?? ''}/$events`, 200],
      ['/fhir/$export', '/fhir/$export', 202],
    ] as const) {
      const named = described.paths[path]?.get?.parameters?.flatMap((one) => (one.in === 'query' ? [one.name] : [])) ?? [];
      for (const name of Object.keys(values)) {
        const asked = `${at}?${name}=${encodeURIComponent(values[name] ?? '')}`;
        const { status } = await service.call('GET', asked, { headers: { Prefer: 'respond-async' } });
        expect([path, name, status]).toEqual([path, name, named.includes(name) ? taken : 400]);
      }
    }
  });
});

describe('a description of a service that asks for tokens', () => {
  let guarded: Awaited<ReturnType<typeof startGuarded>>;
  beforeAll(async () => {
    guarded = await startGuarded();
  });

  test('says for each call which scopes open it: each does, no token and another scope do not', { timeout: 60_000 }, async () => {
    described = JSON.parse((await guarded.service.call('GET', '/openapi.json')).text) as Described;
    expect(await new Validator().validate(described as unknown as Record<string, unknown>)).toMatchObject({ valid: true });
    const wrong: string[] = [];
    for (const { method, path, operation } of operations()) {
      const call = async (scope?: string): Promise<number> => {
        const headers = bodyOf(operation);
        const isPersons = scope === undefined || !scope.startsWith('system/');
        const body = method === 'get' ? undefined : '';
        return scope === undefined
          ? (await guarded.service.call(method.toUpperCase(), addressOf(path), { headers, ...(body !== undefined && { body }) })).status
          : (await guarded.as(isPersons ? { ...NURSE, scope } : { scope }, method.toUpperCase(), addressOf(path), body, headers)).status;
      };
      // one token may have to hold several
      const scopes = (operation.security ?? []).flatMap(({ bearer }) => (bearer.length === 0 ? [] : [bearer.join(' ')]));
      const isOpen = operation.security?.length === 0;
      const named = OF_TOKENS.every((status) => operation.responses[status] !== undefined);
      if (((await call()) === 401) === isOpen || named === isOpen) wrong.push(`${method} ${path} without a token`);
      for (const scope of scopes) if (OF_TOKENS.includes(String(await call(scope)))) wrong.push(`${method} ${path} with ${scope}`);
      if (!isOpen && (await call('system/Nothing.r')) !== 403) wrong.push(`${method} ${path} with another scope`);
    }
    expect(wrong).toEqual([]);
  });
});
