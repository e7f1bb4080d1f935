import { Registry } from 'prom-client';
import { beforeEach, describe, expect, test } from 'vitest';
import { GatewayFigures } from '../../src/metrics/gateways.ts';
import { createInstruments } from '../../src/metrics/instruments.ts';

const MORNING = Date.parse('2026-11-25T07:00:00Z');
let nowMs: number;
let registry: Registry;
let gateways: GatewayFigures;

beforeEach(() => {
  nowMs = MORNING;
  registry = new Registry();
  gateways = new GatewayFigures({ nowMs: () => nowMs }, createInstruments(registry));
});

/** The series of one gateway metric, by client. */
async function series(name: 'last_seen_timestamp' | 'clock_difference' | 'expected_interval'): Promise<Record<string, number>> {
  const { values } = (await registry.getSingleMetric(`steelyard_gateway_${name}_seconds`)?.get()) ?? { values: [] };
  return Object.fromEntries(values.map(({ labels, value }) => [String(labels['client']), value]));
}

describe('a client that is heard of', () => {
  test('was seen when its request arrived, not when it was answered', async () => {
    gateways.heard({ client: 'gateway-3', agoMs: 2_000 });
    expect(await series('last_seen_timestamp')).toEqual({ 'gateway-3': MORNING / 1000 - 2 });
  });

  test('is "anybody" while nobody has to show a token', async () => {
    gateways.heard({ agoMs: 0 });
    expect(Object.keys(await series('last_seen_timestamp'))).toEqual(['anybody']);
  });

  test.each([
    ['Wed, 25 Nov 2026 07:01:30 GMT', 92],
    ['Wed, 25 Nov 2026 06:59:58 GMT', 0],
    ['Sat, 01 Jan 2000 00:00:00 GMT', (Date.parse('2000-01-01T00:00:00Z') - MORNING) / 1000 + 2],
  ])('that says it is %s differs by %d seconds', async (date, seconds) => {
    gateways.heard({ client: 'gateway-3', date, agoMs: 2_000 });
    expect(await series('clock_difference')).toEqual({ 'gateway-3': seconds });
  });

  test.each([undefined, '', '2026-11-25T07:00:00Z', 'Wed, 25 Nov 2026 07:61:30 GMT', 'Wednesday, 25-Nov-26 07:00:00 GMT'])(
    'has no clock difference when its Date is %j',
    async (date) => {
      gateways.heard({ client: 'gateway-3', date, agoMs: 0 });
      expect(await series('clock_difference')).toEqual({});
    },
  );

  test('has no clock difference any more when none was confirmed for an hour', async () => {
    gateways.heard({ client: 'gateway-3', date: 'Wed, 25 Nov 2026 07:05:00 GMT', agoMs: 0 });
    nowMs += 3_600_000;
    gateways.forgetOld();
    expect(await series('clock_difference')).toEqual({ 'gateway-3': 300 });
    nowMs += 1;
    gateways.forgetOld();
    expect(await series('clock_difference')).toEqual({});
    expect(Object.keys(await series('last_seen_timestamp'))).toEqual(['gateway-3']);
  });

  test('shares a label with others once there are more than 500', async () => {
    for (let number = 1; number <= 503; number += 1) gateways.heard({ client: `client-${number}`, agoMs: 0 });
    nowMs += 1_000;
    gateways.heard({ client: 'client-7', agoMs: 0 });
    const seen = await series('last_seen_timestamp');
    expect([Object.keys(seen).length, seen['client-7'], seen['client-501'], seen['other']]).toEqual([
      501,
      MORNING / 1000 + 1,
      undefined,
      MORNING / 1000,
    ]);
  });
});

describe('a client that is expected', () => {
  test('counts from when we began to listen, unless it was heard of before', async () => {
    gateways.heard({ client: 'gateway-3', agoMs: 0 });
    nowMs += 60_000;
    gateways.expect(
      new Map([
        ['gateway-3', 900],
        ['gateway-4', 1_800],
      ]),
    );
    expect(await series('expected_interval')).toEqual({ 'gateway-3': 900, 'gateway-4': 1_800 });
    expect(await series('last_seen_timestamp')).toEqual({ 'gateway-3': MORNING / 1000, 'gateway-4': MORNING / 1000 + 60 });
  });

  test('is expected no more when the file does not name it any more', async () => {
    gateways.expect(new Map([['gateway-3', 900]]));
    gateways.expect(new Map([['gateway-4', 900]]));
    expect(Object.keys(await series('expected_interval'))).toEqual(['gateway-4']);
  });
});
