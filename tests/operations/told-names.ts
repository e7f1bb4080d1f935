/** Names of all series that a fresh service tells, the parts of histograms too; `up` is the monitor's own. */
import { createMetrics } from '../../src/metrics.ts';
import { openSqliteStore } from '../../src/store/sqlite.ts';
import { CLOCK } from '../http/edge.ts';

export async function toldNames(): Promise<ReadonlySet<string>> {
  const store = await openSqliteStore(':memory:', { clock: CLOCK });
  const text = await createMetrics(store, CLOCK).text();
  await store.close();
  const names = [...text.matchAll(/^# TYPE (\w+) (\w+)$/gm)].flatMap(([, name, kind]) =>
    kind === 'histogram' ? ['_bucket', '_sum', '_count', ''].map((end) => `${name}${end}`) : [String(name)],
  );
  return new Set([...names, 'up']);
}
