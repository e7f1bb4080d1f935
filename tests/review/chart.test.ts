import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { chart, type ChartData, type ChartPoint } from '../../src/review/chart.ts';

const words: Pick<ChartData, 'summary' | 'firstDay' | 'lastDay' | 'unit'> = {
  summary: 'Two readings.',
  firstDay: '1 Mar 2026',
  lastDay: '4 Mar 2026',
  unit: 'kg',
};

function drawn(points: readonly ChartPoint[], span: ChartData['span'] = {}): string {
  return chart({ ...words, points, span })?.html ?? '';
}

describe('the chart of earlier readings', () => {
  it('is none where there is one point only', () => {
    expect(chart({ ...words, points: [{ atMs: 0, value: 70, kind: 'held' }], span: {} })).toBeUndefined();
  });

  it('tells by shape what compares, what does not, and which one waits', () => {
    const svg = drawn([
      { atMs: 0, value: 80, kind: 'other' },
      { atMs: 1, value: 81, kind: 'comparable' },
      { atMs: 2, value: 97.8, kind: 'held' },
    ]);
    const picture = svg.slice(0, svg.indexOf('<figcaption'));
    expect(picture.match(/<circle class="other"/g)).toHaveLength(1);
    expect(picture.match(/<circle class="comparable"/g)).toHaveLength(1);
    expect(picture.match(/<path class="held"/g)).toHaveLength(1);
    expect(picture).toContain('role="img"');
    expect(picture).toContain('Two readings.');
  });

  it('keeps every point and the span within its frame, whatever the readings are', () => {
    const value = fc.double({ min: 0.5, max: 650, noNaN: true });
    const point = fc.record({
      atMs: fc.integer({ min: 0, max: 4e10 }),
      value,
      kind: fc.constantFrom('comparable' as const, 'other' as const),
    });
    fc.assert(
      fc.property(fc.array(point, { minLength: 1, maxLength: 12 }), value, value, value, (earlier, held, low, high) => {
        const sorted = [...earlier].sort((a, b) => a.atMs - b.atMs);
        const points = [...sorted, { atMs: (sorted.at(-1)?.atMs ?? 0) + 1, value: held, kind: 'held' as const }];
        const svg = drawn(points, { low: Math.min(low, high), high: Math.max(low, high) });
        expect(svg).not.toMatch(/NaN|Infinity/);
        const picture = svg.slice(0, svg.indexOf('<figcaption'));
        for (const [, x = '', y = ''] of picture.matchAll(/cx="([^"]*)" cy="([^"]*)"/g)) {
          expect(Number(x)).toBeGreaterThanOrEqual(46);
          expect(Number(x)).toBeLessThanOrEqual(348);
          expect(Number(y)).toBeGreaterThanOrEqual(14);
          expect(Number(y)).toBeLessThanOrEqual(196);
        }
        for (const [, y = '', tall = ''] of picture.matchAll(/class="span"[^>]*?y="([^"]*)"[^>]*?height="([^"]*)"/g)) {
          expect(Number(y)).toBeGreaterThanOrEqual(13);
          expect(Number(y) + Number(tall)).toBeLessThanOrEqual(198);
        }
      }),
      { numRuns: 300, seed: 5 },
    );
  });

  it('puts a higher value higher and a later one further to the right', () => {
    const svg = drawn([
      { atMs: 0, value: 70, kind: 'comparable' },
      { atMs: 10, value: 80, kind: 'comparable' },
      { atMs: 20, value: 75, kind: 'held' },
    ]);
    const [first, second] = [...svg.matchAll(/cx="([^"]*)" cy="([^"]*)"/g)].map(([, x, y]) => ({ x: Number(x), y: Number(y) }));
    expect(second?.x).toBeGreaterThan(first?.x ?? 0);
    expect(second?.y).toBeLessThan(first?.y ?? 0);
  });
});
