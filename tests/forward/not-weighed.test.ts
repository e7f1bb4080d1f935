/** A weighing that did not take place, from the request to the EHR. Everybody is invented. */
import type * as fhir4 from 'fhir/r4.js';
import { afterEach, expect, test } from 'vitest';
import { EhrClient } from '../../src/forward/ehr-client.ts';
import { ForwardWorker } from '../../src/forward/worker.ts';
import { startReceiver } from '../../examples/receiver/receiver.ts';
import { arrived } from '../arrived.ts';
import { height, weight, type Changes } from '../measurements.ts';
import { startService } from '../service.ts';

const NOW = '2026-03-02T10:00:00Z';
const closers: (() => Promise<unknown>)[] = [];
afterEach(async () => {
  for (const close of closers.splice(0).reverse()) await close();
});

/** The whole way: the service on loopback, a worker on its store, a receiver that stands for the EHR. */
async function wayToEhr() {
  const receiver = await startReceiver({ port: 0 });
  closers.push(() => receiver.close());
  const service = await startService({ now: NOW });
  closers.push(() => service.close());
  const ehr = new EhrClient({ baseUrl: receiver.url, timeoutMs: 2_000 });
  closers.push(() => ehr.close());
  let told: (() => void) | undefined;
  const silent = () => undefined;
  const worker = new ForwardWorker({
    outbox: service.store.outbox,
    read: service.store.read,
    ehr,
    clock: { nowMs: () => Date.parse(NOW) },
    random: () => 0.5,
    log: { debug: silent, info: silent, warn: silent, error: silent },
    events: { sent: () => told?.(), postponed: silent, parked: silent },
    pollMs: 60_000,
  });
  worker.start();
  closers.push(() => worker.stop(0));
  const untilSent = async (): Promise<void> => {
    while ((await service.store.outbox.counts()).waiting > 0) {
      const sent = new Promise<void>((resolve) => (told = resolve));
      worker.wake();
      await sent;
    }
  };
  const post = async (observation: object) => {
    const answer = await service.post('Observation', arrived(observation).text, { Prefer: 'return=OperationOutcome' });
    return { status: answer.status, outcome: JSON.parse(answer.text) as fhir4.OperationOutcome };
  };
  const atEhr = (code: string) =>
    receiver
      .resources()
      .map(({ text }) => JSON.parse(text) as fhir4.Observation)
      .filter((one) => one.resourceType === 'Observation' && one.code.coding?.some((coding) => coding.code === code));
  return { service, post, untilSent, atEhr };
}

const without = (status: string, code: string): Changes => ({
  status,
  valueQuantity: undefined,
  dataAbsentReason: { coding: [{ system: 'http://terminology.hl7.org/CodeSystem/data-absent-reason', code }] },
  effectiveDateTime: '2026-03-02T09:00:00Z',
});

test.each([
  ['final', 'asked-declined', 'the person declined'],
  ['cancelled', 'not-performed', 'it was not done'],
  ['final', 'error', 'something went wrong'],
  ['final', 'not-permitted', 'it was not allowed'],
])('%s with %s is accepted and forwarded as it came; nothing is derived, added or compared with it', async (status, code, words) => {
  const { service, post, untilSent, atEhr } = await wayToEhr();
  await post(height('160.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
  await post(weight('80.0'));

  const { status: answered, outcome } = await post(weight('0', 'kg', without(status, code)));
  expect(answered).toBe(201);
  const said = outcome.issue.find(({ details }) => details?.coding?.[0]?.code === 'not-weighed');
  expect(said).toMatchObject({ severity: 'information', expression: ['Observation.dataAbsentReason'] });
  expect(said?.diagnostics).toContain(`Recorded without a number: ${words}.`);
  await post(weight('80.4', 'kg', { effectiveDateTime: '2026-03-02T09:30:00Z' }));
  await untilSent();

  const weights = atEhr('29463-7');
  const empty = weights.find(({ valueQuantity }) => valueQuantity === undefined);
  expect(weights).toHaveLength(3);
  expect(empty).toMatchObject({ status, dataAbsentReason: { coding: [{ code }] } });
  expect([empty?.component, empty?.method, empty?.extension]).toEqual([undefined, undefined, undefined]);
  expect(atEhr('39156-5').map(({ valueQuantity }) => valueQuantity?.value)).toEqual([31.3, 31.4]);
  const readings = await service.store.read.readingsOf('Patient/ada');
  const [first, second] = ['80.0', '80.4'].map((text) => readings.find(({ quantity }) => quantity?.text === text));
  expect(second?.comparison).toMatchObject({ previous: first?.id, changeKg: '+0.4' });
});
