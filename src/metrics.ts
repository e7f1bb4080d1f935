/**
 * Prometheus metrics. Labels are route patterns, verdicts and rule ids: few, and never patient data.
 */
import { Counter, Gauge, Histogram, Registry, collectDefaultMetrics } from 'prom-client';
import { HELD_TAG } from './core/terminology.ts';
import type { Clock, Store } from './ports.ts';

export interface Metrics {
  readonly contentType: string;
  /** Prometheus text, with the store's figures as they are now. */
  text(): Promise<string>;
  request(facts: { readonly method: string; readonly route: string; readonly status: number; readonly durationMs: number }): void;
  /** `resent` is a reading that was there already. */
  reading(verdict: string): void;
  finding(ruleId: string): void;
  /** Which policy is in force, and whether the last attempt to load another failed. */
  policy(facts: { readonly version: string; readonly lastReloadFailed: boolean }): void;
  /** What became of one try to send an outbox item. */
  forwarding(result: 'sent' | 'postponed' | 'parked'): void;
  /** A request was not taken in, and why. */
  shed(reason: string): void;
}

const SECONDS = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10];

/** A registry of its own, so that two services in one process do not share figures. */
export function createMetrics(store: Store, clock: Clock): Metrics {
  const registry = new Registry();
  const registers = [registry];
  collectDefaultMetrics({ register: registry });
  const requests = new Counter({
    name: 'steelyard_http_requests_total',
    help: 'Answered HTTP requests',
    labelNames: ['method', 'route', 'status'],
    registers,
  });
  const durations = new Histogram({
    name: 'steelyard_http_request_duration_seconds',
    help: 'Time from the first byte of a request to the end of its answer',
    labelNames: ['method', 'route'],
    buckets: SECONDS,
    registers,
  });
  const readings = new Counter({ name: 'steelyard_readings_total', help: 'Readings by verdict', labelNames: ['verdict'], registers });
  const findings = new Counter({ name: 'steelyard_findings_total', help: 'Findings by rule', labelNames: ['rule'], registers });
  const forwardings = new Counter({
    name: 'steelyard_forwardings_total',
    help: 'Tries to send to the EHR by result',
    labelNames: ['result'],
    registers,
  });
  const shed = new Counter({
    name: 'steelyard_requests_shed_total',
    help: 'Requests answered 503 because there was too much to do, by reason',
    labelNames: ['reason'],
    registers,
  });
  const policyInfo = new Gauge({
    name: 'steelyard_policy_info',
    help: '1 for the version of the policy in force',
    labelNames: ['version'],
    registers,
  });
  const gauge = (name: string, help: string) => new Gauge({ name, help, registers });
  const reloadFailed = gauge(
    'steelyard_policy_reload_failed',
    '1 when the last reload found a broken file and an earlier policy is in force',
  );
  const storeFigures = {
    waiting: gauge('steelyard_outbox_waiting', 'Outbox items that wait to be sent'),
    parked: gauge('steelyard_outbox_parked', 'Outbox items that the EHR refused for good'),
    oldest: gauge('steelyard_outbox_oldest_age_seconds', 'Age of the oldest waiting outbox item; 0 when none waits'),
    held: gauge('steelyard_held_readings', 'Readings that wait for a second weighing or a decision'),
    up: gauge('steelyard_store_up', '1 when the store answered while these metrics were collected'),
  };

  const readStore = async (): Promise<void> => {
    try {
      const [{ waiting, parked, oldestWaitingAt }, held] = await Promise.all([
        store.outbox.counts(),
        store.read.countObservations({ includeHeld: true, tags: [{ system: HELD_TAG.system, value: HELD_TAG.code }] }),
      ]);
      storeFigures.waiting.set(waiting);
      storeFigures.parked.set(parked);
      storeFigures.oldest.set(oldestWaitingAt === undefined ? 0 : Math.max(0, clock.nowMs() - Date.parse(oldestWaitingAt)) / 1000);
      storeFigures.held.set(held);
      storeFigures.up.set(1);
    } catch {
      // a store that is down must not hide the figures that say so
      storeFigures.up.set(0);
    }
  };

  return {
    contentType: registry.contentType,
    text: async () => {
      await readStore();
      return registry.metrics();
    },
    request: ({ method, route, status, durationMs }) => {
      requests.inc({ method, route, status: String(status) });
      durations.observe({ method, route }, durationMs / 1000);
    },
    reading: (verdict) => readings.inc({ verdict }),
    policy: ({ version, lastReloadFailed }) => {
      policyInfo.reset();
      policyInfo.set({ version }, 1);
      reloadFailed.set(lastReloadFailed ? 1 : 0);
    },
    forwarding: (result) => forwardings.inc({ result }),
    shed: (reason) => shed.inc({ reason }),
    finding: (ruleId) => findings.inc({ rule: ruleId }),
  };
}
