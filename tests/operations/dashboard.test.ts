import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, test } from 'vitest';
import { ROOT } from './alert-rules.ts';
import { metricsIn } from './monitor.ts';
import { toldNames } from './told-names.ts';

interface Panel {
  readonly id: number;
  readonly type: string;
  readonly title: string;
  readonly description?: string;
  readonly gridPos: { readonly h: number; readonly w: number; readonly x: number; readonly y: number };
  readonly targets?: readonly { readonly expr: string; readonly datasource: { readonly uid: string } }[];
}

const dashboard = JSON.parse(readFileSync(join(ROOT, 'ops/dashboard.json'), 'utf8')) as {
  readonly uid: string;
  readonly panels: readonly Panel[];
};
const panels = dashboard.panels.filter(({ type }) => type !== 'row');

describe('the dashboard', () => {
  test('shows what waits, what flows, the EHR, the gateways, the store', () => {
    expect(dashboard.panels.filter(({ type }) => type === 'row').map(({ title }) => title)).toEqual([
      'What waits for people',
      'Readings',
      'To the EHR',
      'Gateways',
      'Store and process',
    ]);
    expect(new Set(dashboard.panels.map(({ id }) => id)).size).toBe(dashboard.panels.length);
  });

  test.each(panels)('$title says what it is and asks for metrics that the service tells', async ({ description = '', targets = [] }) => {
    const told = await toldNames();
    expect(description).toMatch(/\.$/);
    expect(targets.length).toBeGreaterThan(0);
    for (const { expr, datasource } of targets) {
      expect(
        metricsIn(expr).filter((name) => !told.has(name)),
        expr,
      ).toEqual([]);
      expect(metricsIn(expr).length).toBeGreaterThan(0);
      expect(datasource.uid).toBe('prometheus');
    }
  });

  test('has no two panels in one place', () => {
    const places = dashboard.panels.flatMap(({ gridPos: { h, w, x, y } }) =>
      Array.from({ length: h * w }, (_, at) => `${x + (at % w)},${y + Math.floor(at / w)}`),
    );
    expect(new Set(places).size).toBe(places.length);
  });
});
