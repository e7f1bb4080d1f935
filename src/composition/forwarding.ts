/** The outgoing side: who empties the outbox, and who asks the EHR about people. */
import { ServiceError } from '../errors.ts';
import { DemographicsReader } from '../forward/demographics.ts';
import type { EhrClient } from '../forward/ehr-client.ts';
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
