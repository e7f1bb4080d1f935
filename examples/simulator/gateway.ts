/**
 * The sending side: tells the service of people and scales, then sends reading after reading as
 * gateways do, each until it is answered.
 */
import { setTimeout as pause } from 'node:timers/promises';
import { stringifyExact } from '../../src/core/json.ts';
import { decidingRules, remarksIn, storedAt, verdictOf, type Remark, type Verdict } from './answers.ts';
import { call, GatewayStopped, type Service } from './call.ts';
import type { Expectation } from './round.ts';
import type { Reading, Registration, WardDay } from './ward-day.ts';

export interface Answered {
  readonly reading: Reading;
  readonly status: number;
  readonly verdict: Verdict;
  readonly remarks: readonly Remark[];
  /** The Observation id under which the service keeps it. */
  readonly storedAs?: string;
  /** True when verdict and deciding rules are the expected ones. */
  readonly isAsExpected: boolean;
}

export interface SendingOptions extends Service {
  /** Pause between two readings. */
  readonly paceMs: number;
  readonly onAnswer?: (answered: Answered, sent: number) => void;
}

/** Sends the whole day in its order. Throws GatewayStopped, and whatever `token` throws. */
export async function sendWardDay(day: WardDay, { paceMs, onAnswer, ...service }: SendingOptions): Promise<readonly Answered[]> {
  await registerAll(day.registrations, service);
  const places = new Map<string, Place>();
  const answers: Answered[] = [];
  for (const reading of day.readings) {
    const answered = await sendReading(service, reading, places);
    answers.push(answered);
    onAnswer?.(answered, answers.length);
    if (paceMs > 0) await pause(paceMs);
  }
  return answers;
}

/** Where the service keeps a reading. */
export interface Place {
  readonly id: string;
  readonly version: string;
}

/** Throws GatewayStopped when the service does not take one. */
export async function registerAll(registrations: readonly Registration[], service: Service): Promise<void> {
  for (const { path, body } of registrations) {
    const { status } = await call(service, { method: 'PUT', path, text: stringifyExact(body) });
    if (status === 404) throw new GatewayStopped(`There is no FHIR base at ${service.base}; the service has its own below /fhir.`);
    if (status !== 200 && status !== 201) throw new GatewayStopped(`The service answered ${status} when it was told of ${path}.`);
  }
}

/**
 * @param places of the readings that were stored so far, by their keys; a correction finds its reading there
 * @throws GatewayStopped when the answer is no verdict
 */
export async function sendReading(service: Service, reading: Reading, places: Map<string, Place>): Promise<Answered> {
  const place = reading.corrects === undefined ? undefined : places.get(reading.corrects);
  if (reading.corrects !== undefined && place === undefined)
    throw new GatewayStopped(`${reading.place}: the reading that is to be corrected was not stored.`);
  const { status, location, body } = await call(
    service,
    place
      ? {
          method: 'PUT',
          path: `Observation/${place.id}`,
          text: stringifyExact({ ...reading.body, id: place.id }),
          headers: { 'If-Match': `W/"${place.version}"` },
        }
      : { method: 'POST', path: 'Observation', text: stringifyExact(reading.body) },
  );
  const stored = storedAt(location);
  if (stored) places.set(reading.key, stored);
  const verdict = verdictOf(status, place !== undefined);
  if (verdict === undefined) throw new GatewayStopped(`The service answered ${status} to a reading of ${reading.place}.`);
  const remarks = remarksIn(body);
  return {
    reading,
    status,
    verdict,
    remarks,
    ...(stored && { storedAs: stored.id }),
    isAsExpected: isExpected(reading.expected, verdict, remarks),
  };
}

export function isExpected(expected: Expectation, verdict: Verdict, remarks: readonly Remark[]): boolean {
  if (verdict !== expected.verdict) return false;
  // a resend says again what was said the first time
  if (verdict === 'resent') return true;
  const deciding = decidingRules(remarks);
  const because = 'because' in expected ? expected.because : [];
  return deciding.length === because.length && because.every((rule) => deciding.includes(rule));
}
