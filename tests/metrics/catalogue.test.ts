import { describe, expect, test } from 'vitest';
import { createMetrics } from '../../src/metrics.ts';
import { METRICS, type MetricRow } from '../../src/metrics/catalogue.ts';
import { CLOCK } from '../http/edge.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';

const ROWS = Object.entries(METRICS) as [string, MetricRow][];

/** Prometheus documentation, "Metric and label naming": one prefix, base units at the end, `_total` on what only counts up. */
const BASE_UNITS = /_(seconds|bytes|ratio|total|info)$/;
/** What counts things has no unit. */
const COUNTS = /_(readings|subscriptions|waiting|parked|units|unwritten|connections)$/;
/** 0 or 1. */
const STATES = /_(up|paused|failed|broken)$/;

describe('the metrics', () => {
  test.each(ROWS)('%s has our prefix and says its unit', (name, { kind }) => {
    expect(name).toMatch(/^steelyard_[a-z]+(_[a-z]+)*$/);
    expect(name.endsWith('_total')).toBe(kind === 'counter');
    expect([BASE_UNITS, COUNTS, STATES].some((form) => form.test(name))).toBe(true);
  });

  test('have no label by which a person could be found', () => {
    const labels = new Set(ROWS.flatMap(([, { labels = [] }]) => labels));
    expect([...labels].sort()).toEqual(['client', 'method', 'reason', 'result', 'route', 'rule', 'status', 'verdict', 'version', 'what']);
  });

  test('are all told, each with its help and kind, on a service that has seen nothing yet', async () => {
    const store = await openSqliteStore(':memory:', { clock: CLOCK });
    const text = await createMetrics(store, CLOCK).text();
    await store.close();
    for (const [name, { kind, help }] of ROWS) {
      expect(text).toContain(`# HELP ${name} ${help}\n`);
      expect(text).toContain(`# TYPE ${name} ${kind}\n`);
    }
  });
});
