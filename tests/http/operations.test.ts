import { describe, expect, test } from 'vitest';
import type { RulePassport } from '../../src/core/finding.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import { RULES } from '../../src/core/rules/index.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { CLOCK, issueCodes, startEdge } from './edge.ts';
import { keep } from './stored.ts';

describe('health', () => {
  test('live and ready while the store takes writes', async () => {
    const edge = await startEdge();
    for (const path of ['/health/live', '/health/ready']) expect((await edge.call('GET', path)).status).toBe(200);
  });

  test('says which policy is in force, and stays ready when the file that should replace it is broken', async () => {
    const policy = { current: { ...DEFAULT_POLICY, version: 'site-0123456789ab' }, lastReloadFailed: true };
    const edge = await startEdge({ serving: { policy } });
    const { status, text } = await edge.call('GET', '/health/ready');
    expect([status, JSON.parse(text)]).toEqual([
      200,
      { status: 'ready', policy: { version: 'site-0123456789ab', lastReloadFailed: true } },
    ]);
  });

  test('not ready, but live, when the store is closed', async () => {
    const store = await openSqliteStore(':memory:', { clock: CLOCK });
    const edge = await startEdge({ serving: { store: { ...openFacade(store), isReady: () => Promise.resolve(false) } } });
    const ready = await edge.call('GET', '/health/ready');
    expect([ready.status, ready.headers['retry-after']]).toEqual([503, '5']);
    expect((await edge.call('GET', '/health/live')).status).toBe(200);
  });

  test('not ready once told to stop, and connections are closed', async () => {
    const edge = await startEdge({ serving: { isStopping: () => true } });
    const answer = await edge.call('GET', '/health/ready', { headers: { Connection: 'keep-alive' } });
    expect([answer.status, answer.headers.connection]).toEqual([503, 'close']);
  });
});

function openFacade(store: Awaited<ReturnType<typeof openSqliteStore>>) {
  return {
    read: store.read,
    outbox: store.outbox,
    audit: store.audit,
    sessions: store.sessions,
    subscriptions: store.subscriptions,
    exports: store.exports,
    write: store.write.bind(store),
    waitingUnits: () => store.waitingUnits(),
    onCommit: store.onCommit.bind(store),
    isReady: () => store.isReady(),
    close: () => store.close(),
  };
}

describe('metrics', () => {
  test('count requests by the pattern of the route and tell the state of the store', async () => {
    const edge = await startEdge();
    await keep(edge.store, { id: 'w1', held: true });
    await edge.call('GET', '/fhir/Observation/MARKEDNAME?patient=MARKEDNAME');
    const { status, text, headers } = await edge.call('GET', '/metrics');
    expect([status, headers['content-type']]).toEqual([200, 'text/plain; version=0.0.4; charset=utf-8']);
    expect(text).toContain('steelyard_http_requests_total{method="GET",route="/fhir/Observation/:id",status="404"} 1');
    for (const line of [
      'steelyard_held_readings 1',
      'steelyard_outbox_waiting 0',
      'steelyard_outbox_parked 0',
      'steelyard_outbox_oldest_age_seconds 0',
      'steelyard_store_up 1',
    ]) {
      expect(text.split('\n')).toContain(line);
    }
    expect(text).toContain('nodejs_eventloop_lag_seconds');
    expect(text).not.toContain('MARKEDNAME');
  });

  test('say so when the store does not answer', async () => {
    const store = await openSqliteStore(':memory:', { clock: CLOCK });
    const broken = { ...openFacade(store), outbox: { ...store.outbox, counts: () => Promise.reject(new Error('gone')) } };
    const edge = await startEdge({ serving: { store: broken } });
    await edge.call('GET', '/health/live');
    const { createMetrics } = await import('../../src/metrics.ts');
    expect((await createMetrics(broken, CLOCK).text()).split('\n')).toContain('steelyard_store_up 0');
  });
});

describe('the rules', () => {
  test('are all listed, in reporting order, with thresholds and sources', async () => {
    const edge = await startEdge();
    const content = JSON.parse((await edge.call('GET', '/rules')).text) as {
      policy: string;
      rules: { id: string; explain: string; source: string }[];
    };
    expect(content.policy).toBe(DEFAULT_POLICY.version);
    expect(content.rules.map(({ id }) => id)).toEqual(RULES.map(({ id }) => id));
    expect(content.rules.filter(({ explain, source }) => explain === '' || source === '')).toEqual([]);
  });

  test('one by one show the values of the running policy', async () => {
    const rule: RulePassport = {
      id: 'test-rule',
      title: '<b>Title</b>',
      family: 'time',
      outcome: 'refuse',
      movable: true,
      code: 'value',
      expression: 'Observation.effective',
      source: 'common practice, no source',
      explain: 'Says "something" & more.',
      settings: ['time.oldestDays', 'limits.bmi'],
    };
    const policy = {
      ...DEFAULT_POLICY,
      values: { ...DEFAULT_POLICY.values, 'time.oldestDays': 9 },
      outcomes: { 'test-rule': 'hold' as const },
    };
    const edge = await startEdge({ serving: { rules: [rule], policy: { current: policy, lastReloadFailed: false } } });
    const asJson = await edge.call('GET', '/rules/test-rule', { headers: { Accept: 'application/json' } });
    const content = JSON.parse(asJson.text) as { outcome: string; outcomeByDefault: string; settings: { name: string; value: string }[] };
    expect(content).toMatchObject({ outcome: 'hold', outcomeByDefault: 'refuse' });
    expect(content.settings).toContainEqual(expect.objectContaining({ name: 'time.oldestDays', value: '9' }));
    expect(content.settings.map(({ name }) => name)).toContain('limits.child.bmi.hold');

    for (const path of ['/rules', '/rules/test-rule']) {
      const page = await edge.call('GET', path, { headers: { Accept: 'text/html' } });
      expect(page.headers['content-type']).toBe('text/html; charset=utf-8');
      expect(page.text).toContain('&lt;b&gt;Title&lt;/b&gt;');
      expect(page.text).not.toContain('<b>');
    }
  });

  test('are those of the policy that is in force when they are asked for', async () => {
    let current = DEFAULT_POLICY;
    const policy = {
      get current() {
        return current;
      },
      lastReloadFailed: false,
    };
    const edge = await startEdge({ serving: { policy } });
    const outcome = async (): Promise<unknown> =>
      (JSON.parse((await edge.call('GET', '/rules/scale-coarse')).text) as { outcome: string }).outcome;
    expect(await outcome()).toBe('hold');
    current = { ...DEFAULT_POLICY, outcomes: { 'scale-coarse': 'off' } };
    expect(await outcome()).toBe('off');
  });

  test.each([
    ['value-unusual', ['weight', 'height']],
    ['bmi-impossible', ['bmi']],
    ['bmi-unusual', ['bmi']],
  ])('%s shows the limits of %j in every age band, and no others', async (id, measured) => {
    const adult = DEFAULT_POLICY.limits.adult;
    const limits = { ...DEFAULT_POLICY.limits, adult: { ...adult, bmi: { refuse: ['7.5', '190'] } } } as const;
    const edge = await startEdge({ serving: { policy: { current: { ...DEFAULT_POLICY, limits }, lastReloadFailed: false } } });
    const { settings } = JSON.parse((await edge.call('GET', `/rules/${id}`)).text) as { settings: { name: string; value: string }[] };
    const shown = settings.filter(({ name }) => name.startsWith('limits.'));
    const expected = Object.entries(limits).flatMap(([band, ofBand]) =>
      Object.entries(ofBand)
        .filter(([of]) => measured.includes(of))
        .flatMap(([of, spans]) => Object.keys(spans).map((kind) => `limits.${band}.${of}.${kind}`)),
    );
    expect(shown.map(({ name }) => name).sort()).toEqual(expected.sort());
    const page = (await edge.call('GET', `/rules/${id}`, { headers: { Accept: 'text/html' } })).text;
    if (measured.includes('bmi')) {
      expect(page).toContain(
        '<td data-head="value">7.5 to 190 kg/m2</td><td data-head="meaning">20 years and over: publish no BMI outside this span</td>',
      );
      expect(page).toContain(
        '<td data-head="value">10.3 to 51.7 kg/m2</td><td data-head="meaning">5 to 9 years: hold outside this span</td>',
      );
    } else {
      expect(page).toContain(
        '<td data-head="value">2 to 650 kg</td><td data-head="meaning">20 years and over: refuse outside this span</td>',
      );
      expect(page).toContain(
        '<td data-head="value">85.1 to 166.1 cm</td><td data-head="meaning">5 to 9 years: hold outside this span</td>',
      );
    }
  });

  test('an unknown one is answered 404, an unknown format 406', async () => {
    const edge = await startEdge();
    const unknown = await edge.call('GET', '/rules/no-such-rule');
    expect([unknown.status, issueCodes(unknown)]).toEqual([404, ['not-found']]);
    expect((await edge.call('GET', '/rules', { headers: { Accept: 'image/png' } })).status).toBe(406);
  });
});
