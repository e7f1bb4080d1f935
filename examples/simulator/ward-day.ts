/**
 * A day on Harbourlight Ward: whom and what the service is told of first, every reading in the
 * order in which it is sent, what ought to become of each, and the BMI that ought to follow.
 *
 * Everything follows from the seed and the present time; nothing is sent from here.
 */
import type { JsonObject } from '../../src/core/json.ts';
import { bodyMassIndex, shown } from './amount.ts';
import { MISTAKEN_ROUNDS } from './mistaken-rounds.ts';
import { READING_IDENTIFIERS, toObservation } from './observation.ts';
import { inventPerson } from './people.ts';
import { seededRandom } from './random.ts';
import { RIGHT_ROUNDS } from './right-rounds.ts';
import type { Expectation, FaultyClock, Planned, Round } from './round.ts';
import { SCALES, deviceId, toDevice, type ScaleName } from './scales.ts';
import { TARES, tareId, toTareDevice, type TareName } from './tares.ts';

export interface Registration {
  readonly path: string;
  readonly body: JsonObject;
}

export interface Reading {
  /** Unique in the day; also the value of the reading's identifier. */
  readonly key: string;
  readonly place: string;
  readonly story: string;
  readonly of: 'weight' | 'height';
  /** As the ward says it: `78.4 kg`. */
  readonly shown: string;
  /** The written digits that must survive. */
  readonly digits: string;
  readonly body: JsonObject;
  /** Key of the reading that this one corrects: then it is a PUT on that one's address. */
  readonly corrects?: string;
  readonly expected: Expectation;
}

export interface ExpectedBmi {
  readonly place: string;
  /** Key of the weight that it follows from. */
  readonly weightKey: string;
  readonly from: string;
  /** kg/m2 with one decimal. */
  readonly value: string;
}

export interface WardDay {
  readonly registrations: readonly Registration[];
  readonly readings: readonly Reading[];
  readonly bmi: readonly ExpectedBmi[];
}

/** In the order of the ward's places; a day has them in turn, as often as there are people. */
export const ROUNDS: readonly Round[] = [...RIGHT_ROUNDS, ...MISTAKEN_ROUNDS];

const MINUTE_MS = 60_000;
const YEAR_TEXT = '-01-01T00:00:00Z';
/** The longest round ends well before the present. */
const LAST_ROUND_BEGINS_MINUTES_AGO = 75;

export interface WardDayOptions {
  readonly seed: number;
  readonly nowMs: number;
  /** One round each; all kinds of round once by default. */
  readonly people?: number;
  /** What happens on the ward, in turn; an ordinary day otherwise. */
  readonly rounds?: readonly Round[];
}

export function wardDay({ seed, nowMs, rounds = ROUNDS, people = rounds.length }: WardDayOptions): WardDay {
  const places = Array.from({ length: people }, (_, index) => atPlace(index, { people, seed, nowMs, rounds }));
  const isSubtracted = places.some(({ subtracts }) => subtracts);
  return {
    registrations: [
      ...(isSubtracted ? (Object.keys(TARES) as TareName[]) : []).map((tare) => ({
        path: `Device/${tareId(tare)}`,
        body: toTareDevice(tare, nowMs),
      })),
      ...(Object.keys(SCALES) as ScaleName[]).map((scale) => ({ path: `Device/${deviceId(scale)}`, body: toDevice(scale) })),
      ...places.flatMap(({ registration }) => registration ?? []),
    ],
    readings: places.flatMap(({ readings }) => readings),
    bmi: places.flatMap(({ bmi }) => bmi),
  };
}

interface Place {
  readonly registration?: Registration;
  readonly readings: readonly Reading[];
  readonly bmi: readonly ExpectedBmi[];
  /** Are chairs, cushions or slings named, so that the service must know them? */
  readonly subtracts: boolean;
}

function atPlace(index: number, { people, seed, nowMs, rounds }: Required<WardDayOptions>): Place {
  const round = rounds[index % rounds.length] as Round;
  const random = seededRandom(seed).branch(index);
  const person = inventPerson(round.person, index + 1, seed, random, nowMs);
  const { readings: planned, bmi } = round.plan(random);
  const beginsMs = nowMs - (LAST_ROUND_BEGINS_MINUTES_AGO + 5 * ((people - 1 - index) % 60)) * MINUTE_MS;
  const keyOf = (position: number): string => `${person.id}-${position + 1}`;
  const identityOf = (position: number): number => planned[position]?.repeats ?? planned[position]?.corrects ?? position;

  const toReading = (plan: Planned, position: number): Reading => {
    const identity = identityOf(position);
    const { minute } = planned[identity] as Planned;
    const measuredMs = saidBy(plan.clock, beginsMs + minute * MINUTE_MS, nowMs);
    return {
      key: keyOf(position),
      place: person.place,
      story: plan.story,
      of: plan.of,
      shown: shown(plan.amount),
      digits: plan.amount.digits,
      body: toObservation(plan, { personId: person.id, identifier: keyOf(identity), measuredMs }),
      ...(plan.corrects !== undefined && { corrects: keyOf(identity) }),
      expected: plan.expected,
    };
  };

  return {
    ...(!round.unregistered && { registration: { path: `Patient/${person.id}`, body: person.patient } }),
    readings: planned.map(toReading),
    subtracts: planned.some(({ subtracted }) => subtracted !== undefined),
    bmi: bmi.map(([weight, height]) => ({
      place: person.place,
      weightKey: keyOf(identityOf(planned.findIndex(({ amount, expected }) => amount === weight && !('because' in expected)))),
      from: `${shown(weight)}, ${shown(height)}`,
      value: bodyMassIndex(weight, height),
    })),
  };
}

function saidBy(clock: FaultyClock | undefined, measuredMs: number, nowMs: number): number {
  if (clock === undefined) return measuredMs;
  if ('aheadMinutes' in clock) return nowMs + clock.aheadMinutes * MINUTE_MS;
  if ('behindMinutes' in clock) return measuredMs - clock.behindMinutes * MINUTE_MS;
  // a clock that lost its battery goes on from there, so that no two readings bear one time
  return Date.parse(`${new Date(nowMs).getUTCFullYear() - clock.yearsBack}${YEAR_TEXT}`) + (measuredMs % (60 * MINUTE_MS));
}

/** The gateway's identifier in an Observation, or in the EHR's copy of one. */
export function readingKeyIn(observation: JsonObject): string | undefined {
  const identifiers = Array.isArray(observation['identifier']) ? (observation['identifier'] as JsonObject[]) : [];
  const own = identifiers.find(({ system }) => system === READING_IDENTIFIERS);
  return typeof own?.['value'] === 'string' ? own['value'] : undefined;
}
