/** The outgoing side: who empties the outbox, who tells subscribers, and who asks the EHR about people. */
import { ServiceError } from '../errors.ts';
import { DemographicsReader } from '../forward/demographics.ts';
import type { EhrClient } from '../forward/ehr-client.ts';
import { Notifier } from '../forward/notifier.ts';
import { SubscriberClient } from '../forward/subscriber.ts';
import { ForwardWorker } from '../forward/worker.ts';
import type { Intake } from '../ingest.ts';
import type { Metrics } from '../metrics.ts';
import { kindOfStore } from '../open-store.ts';
import type { Store } from '../ports.ts';
import type { Parts } from './parts.ts';

export function createWorker(ehr: EhrClient, store: Store, metrics: Metrics, { config, clock, log, tracer }: Parts): ForwardWorker {
  metrics.breaker('closed');
  return new ForwardWorker({
    outbox: store.outbox,
    read: store.read,
    ehr,
    clock,
    log: log.forwarding,
    random: Math.random,
    tracer,
    isShared: kindOfStore(config.database) === 'postgresql',
    readBackPercent: config.readBackPercent,
    events: {
      sent: ({ queuedAt }) => {
        metrics.forwarding('sent');
        metrics.delivered(queuedAt);
      },
      late: () => metrics.late(),
      breaker: (state) => metrics.breaker(state),
      readBack: (result) => metrics.readBack(result),
      postponed: () => metrics.forwarding('postponed'),
      parked: () => metrics.forwarding('parked'),
    },
  });
}

export function createDemographics(
  ehr: EhrClient,
  store: Store,
  metrics: Metrics,
  intake: Intake,
  { clock }: Pick<Parts, 'clock'>,
): DemographicsReader {
  return new DemographicsReader({
    ehr,
    read: store.read,
    register: async (patient, id, replaces) => {
      try {
        return (await intake.putRegistry('Patient', id, patient, replaces ?? 'none')).status < 400;
      } catch (error) {
        if (error instanceof ServiceError) return false;
        throw error;
      }
    },
    clock,
    random: Math.random,
    told: (result) => metrics.demographics(result),
  });
}

export interface Notifying {
  readonly notifier: Notifier;
  /** Lets what is under way finish for a while, then closes the connections. */
  stop(boundMs: number): Promise<void>;
}

/** Undefined while the operator allows no endpoint: nobody is called then. */
export function createNotifier(store: Store, metrics: Metrics, baseUrl: string, { config, clock, log }: Parts): Notifying | undefined {
  const { subscriptionTargets: targets } = config;
  if (targets.length === 0) return undefined;
  const subscribers = new SubscriberClient();
  const notifier = new Notifier({
    subscriptions: store.subscriptions,
    subscribers,
    targets,
    baseUrl,
    clock,
    log: log.forwarding,
    random: Math.random,
    told: (result, events) => metrics.notified(result, events),
  });
  const stop = async (boundMs: number): Promise<void> => {
    await notifier.stop(boundMs);
    await subscribers.close();
  };
  return { notifier, stop };
}
