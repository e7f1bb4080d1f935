/** Traces from the gateway's call to the EHR's, as a collector receives them. */
import { describe, expect, it } from 'vitest';
import { startTracing } from '../../src/tracing.ts';
import { startCollector, type Collector, type ReceivedSpan } from './collector.ts';
import { startRunning, until, type RunningOptions, type RunningService } from './running.ts';

const TRACE = '0af7651916cd43dd8448eb211c80319c';
const GATEWAY_SPAN = 'b7ad6b7169203331';

/** Weighs once, waits until the EHR has it, stops the service, and returns what the collector got. */
async function weighed(collector: Collector, traceparent: string | undefined, options: RunningOptions = {}): Promise<RunningService> {
  const service = await startRunning({ ...options, settings: { OTEL_EXPORTER_OTLP_ENDPOINT: collector.url } });
  const headers = { 'X-Request-Id': 'gateway-3.0001', ...(traceparent !== undefined && { traceparent }) };
  expect((await service.weigh('70.0', { headers })).status).toBe(201);
  await until(() => service.logged().some(({ msg }) => msg === 'forwarded'));
  await service.running.stop();
  return service;
}

function named(spans: readonly ReceivedSpan[], name: string): ReceivedSpan {
  const found = spans.filter((span) => span.name === name);
  expect(found, `${name} among ${spans.map((span) => span.name).join(', ')}`).toHaveLength(1);
  return found[0]!;
}

describe('a reading', () => {
  it('is one trace: the gateway’s call, our answer, the unit of work, the call to the EHR', async () => {
    const collector = await startCollector();
    const service = await weighed(collector, `00-${TRACE}-${GATEWAY_SPAN}-01`);
    const spans = collector.spans();
    const answer = named(spans, 'POST /fhir/Observation');
    const write = named(spans, 'store.write');
    const call = named(spans, 'POST EHR /');
    expect([answer.kind, write.kind, call.kind]).toEqual([2, 1, 3]);
    expect(new Set(spans.map(({ traceId }) => traceId))).toEqual(new Set([TRACE]));
    expect(answer.parentSpanId).toBe(GATEWAY_SPAN);
    expect([write.parentSpanId, call.parentSpanId]).toEqual([answer.spanId, answer.spanId]);
    expect(service.receiver.requests()[0]?.headers['traceparent']).toBe(`00-${TRACE}-${call.spanId}-01`);
    expect(answer.attributes).toMatchObject({
      'http.request.method': 'POST',
      'http.route': '/fhir/Observation',
      'http.response.status_code': 201,
      'steelyard.verdicts': ['accepted'],
    });
    expect(call.attributes).toMatchObject({ 'http.response.status_code': 200, 'server.address': '127.0.0.1' });
    expect(new Set(collector.paths)).toEqual(new Set(['/v1/traces']));
  });

  it('says nothing of the person, the number or where they are kept', async () => {
    const collector = await startCollector();
    await weighed(collector, undefined);
    expect(collector.spans().length).toBeGreaterThan(2);
    expect(collector.text()).not.toMatch(/ada-invented|70\.0|Patient|ward\.db/);
  });

  it.each([
    undefined,
    '',
    `00-${TRACE}-${GATEWAY_SPAN}`,
    `00-${TRACE}-${GATEWAY_SPAN}-01-more`,
    `ff-${TRACE}-${GATEWAY_SPAN}-01`,
    `00-${'0'.repeat(32)}-${GATEWAY_SPAN}-01`,
    `00-${TRACE}-${'0'.repeat(16)}-01`,
    `00-${TRACE.toUpperCase()}-${GATEWAY_SPAN}-01`,
  ])('begins a trace of its own when traceparent is %j', async (traceparent) => {
    const collector = await startCollector();
    await weighed(collector, traceparent);
    const answer = named(collector.spans(), 'POST /fhir/Observation');
    expect([answer.parentSpanId, answer.traceId === TRACE]).toEqual(['', false]);
  });

  it('that its gateway does not want traced is not, and the EHR is told so', async () => {
    const collector = await startCollector();
    const service = await weighed(collector, `00-${TRACE}-${GATEWAY_SPAN}-00`);
    expect(collector.text()).toBe('');
    expect(service.receiver.requests()[0]?.headers['traceparent']).toMatch(new RegExp(`^00-${TRACE}-[0-9a-f]{16}-00$`));
  });

  it('that the EHR fails on shows each try, in the same trace', async () => {
    const collector = await startCollector();
    const service = await startRunning({
      settings: { OTEL_EXPORTER_OTLP_ENDPOINT: collector.url },
      receiver: { faults: [{ do: 'answer', status: 503 }] },
    });
    await service.weigh('70.0', { headers: { traceparent: `00-${TRACE}-${GATEWAY_SPAN}-01` } });
    await until(() => service.logged().some(({ kind }) => kind === 'transient'));
    service.clock.advance(600_000);
    await until(() => service.logged().some(({ msg }) => msg === 'forwarded'));
    await service.running.stop();
    const tries = collector.spans().filter(({ name }) => name === 'POST EHR /');
    expect(tries.map(({ failed, traceId, attributes }) => [failed, traceId, attributes['error.type']])).toEqual([
      [true, TRACE, '503'],
      [false, TRACE, undefined],
    ]);
  });
});

describe('probes', () => {
  it('are not traced', async () => {
    const collector = await startCollector();
    const service = await startRunning({ forwards: false, settings: { OTEL_EXPORTER_OTLP_ENDPOINT: collector.url } });
    for (const path of ['/health/live', '/health/ready', '/metrics', '/rules']) await service.get(path);
    await service.running.stop();
    expect(collector.spans().map(({ name }) => name)).toEqual(['GET /rules']);
  });
});

describe('a collector', () => {
  it.each(['fails', 'hangs'] as const)('that %s disturbs no call and holds up no stop', async (answer) => {
    const collector = await startCollector(answer);
    const service = await weighed(collector, undefined);
    expect(service.receiver.resources().length).toBeGreaterThan(0);
    expect(service.logged().filter(({ level }) => level === 'error')).toEqual([]);
  });

  it('that is not there disturbs no call', async () => {
    const collector = { ...(await startCollector()), url: 'http://127.0.0.1:9' };
    expect((await weighed(collector, undefined)).receiver.resources().length).toBeGreaterThan(0);
  });
});

describe('without a collector', () => {
  it('nothing is traced, and the EHR is told of no trace', async () => {
    const service = await startRunning();
    await service.weigh('70.0', { headers: { traceparent: `00-${TRACE}-${GATEWAY_SPAN}-01` } });
    await until(() => service.receiver.requests().length > 0);
    expect(service.receiver.requests()[0]?.headers['traceparent']).toBeUndefined();
  });
});

it('a collector without the optional packages is a mistake in the settings, and said so', async () => {
  const starting = startTracing({ endpoint: 'http://127.0.0.1:4318', version: '0', load: () => Promise.reject(new Error('not found')) });
  await expect(starting).rejects.toMatchObject({
    name: 'ConfigError',
    problems: [expect.stringMatching(/^OTEL_EXPORTER_OTLP_ENDPOINT needs the optional packages/)],
  });
});
