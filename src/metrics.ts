/**
 * Prometheus metrics. What there is stands in `metrics/catalogue.ts`; labels are route patterns,
 * verdicts, rule ids and client ids: few, and never patient data.
 */
import { Registry, collectDefaultMetrics } from 'prom-client';
import type { MetricOf } from './metrics/catalogue.ts';
import { readDiskFigures, type AskDisk } from './metrics/disk.ts';
import { GatewayFigures, type Heard } from './metrics/gateways.ts';
import { createInstruments } from './metrics/instruments.ts';
import { readStoreFigures } from './metrics/store-figures.ts';
import type { Clock, Store } from './ports.ts';
import { softwareVersion } from './version.ts';

export interface Metrics {
  readonly contentType: string;
  /** Prometheus text, with the store's figures as they are now. */
  text(): Promise<string>;
  request(facts: { readonly method: string; readonly route: string; readonly status: number; readonly durationMs: number }): void;
  /** A client made a request that was not refused for who it is. */
  heard(facts: Heard): void;
  /** How many seconds a client may be silent, by client id. */
  expectGateways(intervals: ReadonlyMap<string, number>): void;
  /** `resent` is a reading that was there already. */
  reading(verdict: string): void;
  finding(ruleId: string): void;
  /** Which policy is in force, and whether the last attempt to load another failed. */
  policy(facts: { readonly version: string; readonly lastReloadFailed: boolean }): void;
  /** What became of one try to send an outbox item. */
  forwarding(result: 'sent' | 'postponed' | 'parked'): void;
  /** An item that was queued at this instant is known to be at the EHR. */
  delivered(queuedAt: string): void;
  /** An attempt ended after another worker had claimed its item. */
  late(): void;
  /** Whether the EHR is called. */
  breaker(state: 'open' | 'half-open' | 'closed'): void;
  /** What came of reading a sent Observation again at the EHR. */
  readBack(result: 'same' | 'differs' | 'unread'): void;
  /** What came of a notification to a subscriber, with so many events. */
  notified(result: 'taken' | 'failed', events: number): void;
  /** What became of a question to the EHR about a person; one of a fixed list. */
  demographics(result: string): void;
  /** A token that was refused; `reason` is one of a fixed list. */
  refusedToken(reason: string): void;
  /** A request was not taken in, and why. */
  shed(reason: string): void;
  /** An HL7 v2 message came to this end. */
  v2Message(result: 'accept' | 'error' | 'reject'): void;
  /** Something of an MLLP connection was not used; `reason` is one of a fixed list. */
  mllpFault(reason: string): void;
  /** A figure that is asked for whenever the metrics are, and is left out while it is undefined. `read` must not throw. */
  figure(name: MetricOf<'gauge'>, read: () => number | undefined, labels?: Readonly<Record<string, string>>): void;
}

export interface MetricsOptions {
  /** Folder of the SQLite store; there are no figures of the disk when absent. */
  readonly storeFolder?: string;
  /** The system by default. */
  readonly askDisk?: AskDisk;
}

/** A registry of its own, so that two services in one process do not share figures. Hears of the store's commits from now on. */
export function createMetrics(store: Store, clock: Clock, { storeFolder, askDisk }: MetricsOptions = {}): Metrics {
  const registry = new Registry();
  collectDefaultMetrics({ register: registry });
  const instruments = createInstruments(registry);
  const { counter, gauge, histogram } = instruments;
  const gateways = new GatewayFigures(clock, instruments);
  const asked: (() => void)[] = [];
  gauge('steelyard_build_info').set({ version: softwareVersion() }, 1);
  store.onCommit(({ units, durationMs, isStored }) => {
    histogram('steelyard_store_commit_units').observe(units);
    histogram('steelyard_store_commit_duration_seconds').observe(durationMs / 1000);
    if (!isStored) counter('steelyard_store_commits_failed_total').inc();
  });

  return {
    contentType: registry.contentType,
    text: async () => {
      gateways.forgetOld();
      for (const ask of asked) ask();
      await Promise.all([
        readStoreFigures(store, clock, instruments),
        ...(storeFolder === undefined ? [] : [readDiskFigures(storeFolder, instruments, askDisk)]),
      ]);
      return registry.metrics();
    },
    request: ({ method, route, status, durationMs }) => {
      counter('steelyard_http_requests_total').inc({ method, route, status: String(status) });
      histogram('steelyard_http_request_duration_seconds').observe({ method, route }, durationMs / 1000);
      if (status === 429) counter('steelyard_requests_throttled_total').inc();
    },
    heard: (facts) => gateways.heard(facts),
    expectGateways: (intervals) => gateways.expect(intervals),
    reading: (verdict) => counter('steelyard_readings_total').inc({ verdict }),
    finding: (rule) => counter('steelyard_findings_total').inc({ rule }),
    policy: ({ version, lastReloadFailed }) => {
      gauge('steelyard_policy_info').reset();
      gauge('steelyard_policy_info').set({ version }, 1);
      gauge('steelyard_policy_reload_failed').set(lastReloadFailed ? 1 : 0);
    },
    forwarding: (result) => counter('steelyard_forwardings_total').inc({ result }),
    delivered: (queuedAt) =>
      histogram('steelyard_forwarding_delay_seconds').observe(Math.max(0, clock.nowMs() - Date.parse(queuedAt)) / 1000),
    late: () => counter('steelyard_forwardings_late_total').inc(),
    breaker: (state) => gauge('steelyard_forwarding_paused').set(state === 'closed' ? 0 : 1),
    readBack: (result) => counter('steelyard_readbacks_total').inc({ result }),
    notified: (result, events) => {
      counter('steelyard_notifications_total').inc({ result });
      if (result === 'taken') counter('steelyard_notified_events_total').inc(events);
    },
    demographics: (result) => counter('steelyard_demographics_questions_total').inc({ result }),
    refusedToken: (reason) => counter('steelyard_refused_tokens_total').inc({ reason }),
    shed: (reason) => counter('steelyard_requests_shed_total').inc({ reason }),
    v2Message: (result) => counter('steelyard_mllp_messages_total').inc({ result }),
    mllpFault: (reason) => counter('steelyard_mllp_faults_total').inc({ reason }),
    figure: (name, read, labels = {}) => {
      asked.push(() => {
        const value = read();
        if (value === undefined) gauge(name).remove(labels);
        else gauge(name).set(labels, value);
      });
    },
  };
}
