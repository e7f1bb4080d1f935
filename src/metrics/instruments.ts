/** The metrics of the catalogue as things that can be counted with, each made once. */
import { Counter, Gauge, Histogram, type Registry } from 'prom-client';
import { METRICS, type MetricName, type MetricOf, type MetricRow } from './catalogue.ts';

export interface Instruments {
  readonly counter: (name: MetricOf<'counter'>) => Counter;
  readonly gauge: (name: MetricOf<'gauge'>) => Gauge;
  readonly histogram: (name: MetricOf<'histogram'>) => Histogram;
}

/** Makes every metric of the catalogue in a registry. */
export function createInstruments(registry: Registry): Instruments {
  const made = new Map<MetricName, unknown>();
  for (const [name, row] of Object.entries(METRICS)) made.set(name as MetricName, createOne(name, row, registry));
  return {
    counter: (name) => made.get(name) as Counter,
    gauge: (name) => made.get(name) as Gauge,
    histogram: (name) => made.get(name) as Histogram,
  };
}

function createOne(name: string, { kind, help, labels = [], buckets = [], from0 = [] }: MetricRow, registry: Registry): unknown {
  const options = { name, help, labelNames: [...labels], registers: [registry] };
  if (kind === 'histogram') return new Histogram({ ...options, buckets: [...buckets] });
  if (kind === 'counter') {
    const counter = new Counter(options);
    for (const series of from0) counter.inc(series, 0);
    return counter;
  }
  const gauge = new Gauge(options);
  // what is not known is left out: a 0 would say that all is well
  if (labels.length === 0) gauge.remove();
  return gauge;
}
