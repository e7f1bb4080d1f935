/**
 * A storm of duplicates: two gateways hear the same scales, and each sends every reading several
 * times at once, and once more when all is over. Of all copies one may be new to the service.
 */
import type { JsonObject } from '../../src/core/json.ts';
import { isExpected, registerAll, sendReading, type Answered, type SendingOptions } from './gateway.ts';
import type { Expectation } from './round.ts';
import type { Reading, WardDay } from './ward-day.ts';

/** Beds whose readings are sent at the same time. */
const BEDS_AT_ONCE = 4;

export interface StormOptions extends Omit<SendingOptions, 'paceMs'> {
  /** How often each reading is sent in all, at least twice. */
  readonly copies: number;
}

/** Throws GatewayStopped, and whatever `token` throws. */
export async function sendStorm(day: WardDay, { copies, onAnswer, ...service }: StormOptions): Promise<readonly Answered[]> {
  await registerAll(day.registrations, service);
  const answers: Answered[] = [];
  const beds = bedsOf(day);
  const sent = new Map<string, readonly Answered[]>();
  const walk = async (): Promise<void> => {
    for (let bed = beds.shift(); bed !== undefined; bed = beds.shift()) {
      for (const reading of bed) {
        const all = await Promise.all(
          copiesOf(reading, copies - 1).map(async (copy) => {
            const answered = await sendReading(service, copy, new Map());
            answers.push(answered);
            onAnswer?.(answered, answers.length);
            return answered;
          }),
        );
        sent.set(reading.key, all);
      }
    }
  };
  await Promise.all(Array.from({ length: BEDS_AT_ONCE }, walk));
  const compared: Answered[] = [];
  for (const reading of day.readings) {
    const late = await sendReading(service, fromWest(reading), new Map());
    answers.push(late);
    onAnswer?.(late, answers.length);
    compared.push(...settled(reading, [...(sent.get(reading.key) ?? []), late]));
  }
  return compared;
}

/** What ought to become of the copies, in no order: one counts, the others are known or refused like it. */
export function expectedOfCopies({ expected }: Reading, copies: number): readonly Expectation[] {
  const again: Expectation = expected.verdict === 'refused' ? expected : { verdict: 'resent' };
  return [expected, ...Array.from({ length: copies - 1 }, () => again)];
}

/** The same reading as each of the two gateways sends it, in turn. */
export function copiesOf(reading: Reading, copies: number): readonly Reading[] {
  return Array.from({ length: copies }, (_, index) => (index % 2 === 0 ? reading : fromWest(reading)));
}

function bedsOf({ readings }: WardDay): Reading[][] {
  const beds = new Map<string, Reading[]>();
  for (const reading of readings) beds.set(reading.place, [...(beds.get(reading.place) ?? []), reading]);
  return [...beds.values()];
}

/** The western gateway writes the members in another order, which makes no other content. */
function fromWest(reading: Reading): Reading {
  const { resourceType, ...members } = reading.body;
  const body = { resourceType, ...Object.fromEntries(Object.entries(members).reverse()) } as JsonObject;
  return { ...reading, body };
}

/** Compares the answers to all copies of a reading: the verdicts that are expected, under one id. */
function settled(reading: Reading, answers: readonly Answered[]): Answered[] {
  const open = [...expectedOfCopies(reading, answers.length)];
  const stored = new Set(answers.flatMap(({ storedAs }) => storedAs ?? []));
  return answers.map((answered) => {
    const at = open.findIndex((expected) => isExpected(expected, answered.verdict, answered.remarks));
    const [expected = { verdict: 'resent' } as const] = open.splice(at < 0 ? open.length - 1 : at, 1);
    return { ...answered, reading: { ...answered.reading, expected }, isAsExpected: at >= 0 && stored.size <= 1 };
  });
}
