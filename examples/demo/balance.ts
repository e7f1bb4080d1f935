/** Did the day come out as it ought to? Every difference, in words. */
import type { Answered } from '../simulator/gateway.ts';
import { unexpectedLines } from '../simulator/expectations.ts';
import type { Reading, WardDay } from '../simulator/ward-day.ts';
import type { Arrivals } from './arrivals.ts';

export interface Balance {
  /** Readings that the service accepted; a correction is the same reading. */
  readonly accepted: number;
  readonly forwarded: number;
  /** Outbox items that have not reached the EHR. */
  readonly waiting: number;
  /** Empty when all is as it ought to be. */
  readonly differences: readonly string[];
}

export interface Outcome {
  readonly day: WardDay;
  readonly answers: readonly Answered[];
  readonly arrivals: Arrivals;
  /** BMI pulled from the service, by the identifier of the weight. */
  readonly pulled: ReadonlyMap<string, string>;
  readonly waiting: number;
}

/** The latest accepted content of each reading, by its gateway's identifier. */
export function acceptedReadings(answers: readonly Answered[]): ReadonlyMap<string, Reading> {
  const accepted = answers.filter(({ verdict }) => verdict === 'accepted' || verdict === 'corrected');
  return new Map(accepted.map(({ reading }) => [reading.corrects ?? reading.key, reading]));
}

export function balanceOf({ day, answers, arrivals, pulled, waiting }: Outcome): Balance {
  const accepted = acceptedReadings(answers);
  const forwarded = [...arrivals.digits.keys()].filter((key) => accepted.has(key)).length;
  const expectedBmi = new Map(day.bmi.map(({ weightKey, value }) => [weightKey, value]));
  return {
    accepted: accepted.size,
    forwarded,
    waiting,
    differences: [
      ...unexpectedLines(answers),
      ...[...accepted].flatMap(([key, { place, shown, digits }]) => {
        const arrived = arrivals.digits.get(key);
        if (arrived === digits) return [];
        return [`  ${place}, ${shown}: ${arrived === undefined ? 'did not arrive at the EHR' : `arrived as ${arrived}`}`];
      }),
      ...[...arrivals.digits.keys()]
        .filter((key) => !accepted.has(key))
        .map((key) => `  ${key} arrived at the EHR without having been accepted`),
      ...bmiDifferences('at the EHR', expectedBmi, arrivals.bmi),
      ...bmiDifferences('in the pull', expectedBmi, pulled),
      ...(waiting === 0 ? [] : [`  ${waiting} outbox items have not reached the EHR`]),
    ],
  };
}

function bmiDifferences(where: string, expected: ReadonlyMap<string, string>, found: ReadonlyMap<string, string>): string[] {
  return [...new Set([...expected.keys(), ...found.keys()])]
    .filter((key) => expected.get(key) !== found.get(key))
    .map((key) => `  BMI of weight ${key} ${where}: expected ${expected.get(key) ?? 'none'}, found ${found.get(key) ?? 'none'}`);
}
