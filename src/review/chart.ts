/**
 * The chart of a person's readings in time: earlier ones, the span in which this one would be
 * accepted, and this one. Drawn here, as SVG, so that a browser needs no program for it. What
 * compares is told by shape and not by colour; the table beside it says the same in words.
 */
import { html, type Html } from './html.ts';

export interface ChartPoint {
  readonly atMs: number;
  /** In the chart's unit; for drawing only. */
  readonly value: number;
  readonly kind: 'comparable' | 'other' | 'held';
}

export interface ChartData {
  /** In time; the held one is the last. */
  readonly points: readonly ChartPoint[];
  readonly unit: 'kg' | 'cm';
  readonly span: { readonly low?: number; readonly high?: number };
  /** What the picture shows, in one sentence. */
  readonly summary: string;
  readonly firstDay: string;
  readonly lastDay: string;
}

const WIDTH = 360;
const HEIGHT = 230;
const PLOT = { left: 46, right: 348, top: 14, bottom: 196 } as const;

/** Nothing where there is no earlier reading: one point alone is no chart. */
export function chart(data: ChartData): Html | undefined {
  const { points, unit, span, summary, firstDay, lastDay } = data;
  if (points.length < 2) return undefined;
  const domain = domainOf(data);
  const y = (value: number): number => round(PLOT.bottom - ((value - domain.low) / (domain.high - domain.low)) * (PLOT.bottom - PLOT.top));
  const [first, last] = [points[0]?.atMs ?? 0, points.at(-1)?.atMs ?? 0];
  const x = (atMs: number): number => round(PLOT.left + 14 + ((atMs - first) / Math.max(1, last - first)) * (PLOT.right - PLOT.left - 28));
  const within = (value: number): number => Math.min(domain.high, Math.max(domain.low, value));
  const [top, bottom] = [y(within(span.high ?? domain.high)), y(within(span.low ?? domain.low))];
  const line = points.filter(({ kind }) => kind !== 'held').map(({ atMs, value }) => `${x(atMs)},${y(value)}`);
  return html`<figure class="chart">
    <svg viewBox="0 0 ${WIDTH} ${HEIGHT}" role="img" aria-labelledby="chart-summary">
      <title id="chart-summary">${summary}</title>
      <rect class="span" x="${PLOT.left}" y="${top}" width="${PLOT.right - PLOT.left}" height="${round(Math.max(1, bottom - top))}" />
      ${ticks(domain).map(
        (value) =>
          html`<line class="grid" x1="${PLOT.left}" x2="${PLOT.right}" y1="${y(value)}" y2="${y(value)}" /><text
              class="tick"
              x="${PLOT.left - 6}"
              y="${y(value) + 4}"
              text-anchor="end"
              >${value}</text
            >`,
      )}
      <text class="unit" x="${PLOT.left - 6}" y="${HEIGHT - 14}" text-anchor="end">${unit}</text>
      <text class="tick" x="${PLOT.left + 14}" y="${HEIGHT - 14}">${firstDay}</text>
      <text class="tick" x="${PLOT.right}" y="${HEIGHT - 14}" text-anchor="end">${lastDay}</text>
      ${line.length > 1 && html`<polyline class="path" points="${line.join(' ')}" />`}
      ${points.map(({ atMs, value, kind }) => marker(kind, x(atMs), y(value)))}
    </svg>
    <figcaption>
      ${KEY.map(([kind, words]) => (points.some((point) => point.kind === kind) ? html`<span class="key">${keyMark(kind)} ${words}</span>` : html``))}<span
        class="key"
        ><svg viewBox="0 0 16 16" width="16" height="16" aria-hidden="true"><rect class="span" width="16" height="16" /></svg> would be
        accepted</span
      >
    </figcaption>
  </figure>`;
}

const KEY = [
  ['held', 'this reading'],
  ['comparable', 'earlier, compares'],
  ['other', 'earlier, does not compare'],
] as const;

function keyMark(kind: ChartPoint['kind']): Html {
  return html`<svg viewBox="0 0 16 16" width="16" height="16" aria-hidden="true">${marker(kind, 8, 8)}</svg>`;
}

function marker(kind: ChartPoint['kind'], x: number, y: number): Html {
  if (kind === 'held') return html`<path class="held" d="M${x} ${y - 7}L${x + 7} ${y}L${x} ${y + 7}L${x - 7} ${y}Z" />`;
  return html`<circle class="${kind}" cx="${x}" cy="${y}" r="4.5" />`;
}

/** All points, and as much of the span as lies near them: it may be wider than any person changes. */
function domainOf({ points, span }: Pick<ChartData, 'points' | 'span'>): { readonly low: number; readonly high: number } {
  const values = points.map(({ value }) => value);
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const room = Math.max((high - low) * 0.25, high * 0.02, 0.5);
  const near = (end: number | undefined): number[] => (end !== undefined && end > low - 2 * room && end < high + 2 * room ? [end] : []);
  const all = [low - room, high + room, ...near(span.low).map((end) => end - room / 4), ...near(span.high).map((end) => end + room / 4)];
  return { low: Math.max(0, Math.min(...all)), high: Math.max(...all) };
}

/** Three to six round numbers within the domain. */
function ticks({ low, high }: { readonly low: number; readonly high: number }): number[] {
  const rough = (high - low) / 4;
  const magnitude = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((factor) => factor * magnitude).find((candidate) => candidate >= rough) ?? rough;
  const first = Math.ceil(low / step);
  return Array.from({ length: Math.floor(high / step) - first + 1 }, (_, index) => Number(((first + index) * step).toPrecision(6)));
}

function round(value: number): number {
  return Math.round(value * 10) / 10;
}
