/** The figures of a service, as a monitor collects them. */
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { createMetrics, type Metrics } from '../../src/metrics.ts';
import type { Store } from '../../src/ports.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { keep } from '../http/stored.ts';

const MORNING = Date.parse('2026-11-25T07:00:00Z');
let folder: string;
let nowMs: number;
let store: Store;
let metrics: Metrics;

beforeEach(async () => {
  folder = mkdtempSync(join(tmpdir(), 'steelyard-metrics-'));
  nowMs = MORNING;
  const clock = { nowMs: () => nowMs };
  store = await openSqliteStore(':memory:', { clock });
  metrics = createMetrics(store, clock, { storeFolder: folder });
});
afterEach(async () => {
  await store.close();
  rmSync(folder, { recursive: true, force: true });
});

/** The value of one series as it is written; undefined when it is not told. */
async function value(series: string): Promise<number | undefined> {
  const line = (await metrics.text()).split('\n').find((one) => one.startsWith(`${series} `));
  return line === undefined ? undefined : Number(line.slice(series.length + 1));
}

describe('the worklists', () => {
  test('say how long the oldest held reading has waited', async () => {
    expect(await value('steelyard_held_oldest_age_seconds')).toBe(0);
    await keep(store, { id: 'w1', held: true });
    nowMs += 600_000;
    await keep(store, { id: 'w2', held: true });
    nowMs += 60_000;
    expect([await value('steelyard_held_oldest_age_seconds'), await value('steelyard_held_readings')]).toEqual([660, 2]);
  });

  test('are not told while the store does not answer, rather than as they once were', async () => {
    await keep(store, { id: 'w1', held: true });
    expect(await value('steelyard_held_readings')).toBe(1);
    await store.close();
    expect([await value('steelyard_held_readings'), await value('steelyard_store_up')]).toEqual([undefined, 0]);
  });
});

describe('the store', () => {
  test('says how many units shared a commit, and how long it took', async () => {
    await Promise.all(['w1', 'w2', 'w3'].map((id) => keep(store, { id })));
    expect(await value('steelyard_store_commit_units_sum')).toBe(3);
    expect(await value('steelyard_store_commit_units_count')).toBe(1);
    expect(await value('steelyard_store_commit_duration_seconds_count')).toBe(1);
    expect(await value('steelyard_store_units_waiting')).toBe(0);
    expect(await value('steelyard_store_commits_failed_total')).toBe(0);
  });

  test('says how much room is left where it is, and nothing when that cannot be known', async () => {
    expect(await value('steelyard_disk_free_bytes')).toBeGreaterThan(0);
    const ratio = await value('steelyard_disk_free_ratio');
    expect(ratio).toBeGreaterThan(0);
    expect(ratio).toBeLessThanOrEqual(1);
    rmSync(folder, { recursive: true });
    expect([await value('steelyard_disk_free_bytes'), await value('steelyard_disk_free_ratio')]).toEqual([undefined, undefined]);
  });
});

describe('figures that others supply', () => {
  test('are asked for each time, and left out while they are unknown', async () => {
    const certificate: { expiresAt?: number } = {};
    metrics.figure('steelyard_expiry_timestamp_seconds', () => certificate.expiresAt, { what: 'ehr-certificate' });
    const series = 'steelyard_expiry_timestamp_seconds{what="ehr-certificate"}';
    expect(await value(series)).toBeUndefined();
    certificate.expiresAt = 1_800_000_000;
    expect(await value(series)).toBe(1_800_000_000);
  });
});

describe('forwarding', () => {
  test('counts every result from 0, so that the first one is seen as an increase', async () => {
    expect(await value('steelyard_readbacks_total{result="differs"}')).toBe(0);
    metrics.readBack('differs');
    metrics.forwarding('parked');
    expect(await value('steelyard_readbacks_total{result="differs"}')).toBe(1);
    expect(await value('steelyard_forwardings_total{result="parked"}')).toBe(1);
  });

  test('says how long a reading was on its way', async () => {
    metrics.delivered('2026-11-25T06:59:58.000000Z');
    expect(await value('steelyard_forwarding_delay_seconds_sum')).toBe(2);
  });
});

test('requests that were answered 429 are counted by themselves', async () => {
  for (const status of [201, 429, 429]) metrics.request({ method: 'POST', route: '/fhir/Observation', status, durationMs: 1 });
  expect(await value('steelyard_requests_throttled_total')).toBe(2);
});
