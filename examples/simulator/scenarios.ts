/** The days that can be simulated, with what happens in them. */
import { CLOCK_ROUNDS } from './clock-rounds.ts';
import { MISTAKEN_ROUNDS } from './mistaken-rounds.ts';
import { RIGHT_ROUNDS } from './right-rounds.ts';
import type { Expectation, Round } from './round.ts';
import { SCENARIO_TEXTS, type ScenarioName, type ScenarioText } from './scenario-texts.ts';
import { expectedOfCopies } from './storm.ts';
import { TARE_ROUNDS } from './tare-rounds.ts';
import { ROUNDS, type WardDay } from './ward-day.ts';

export interface Scenario extends ScenarioText {
  readonly rounds: readonly Round[];
  /** How often each reading is sent in all. */
  readonly copies: number;
}

export const SCENARIOS: Readonly<Record<ScenarioName, Scenario>> = {
  'ward-day': { ...SCENARIO_TEXTS['ward-day'], rounds: ROUNDS, copies: 1 },
  'duplicate-storm': { ...SCENARIO_TEXTS['duplicate-storm'], rounds: [...RIGHT_ROUNDS, ...MISTAKEN_ROUNDS.slice(0, 3)], copies: 6 },
  'clock-fault': { ...SCENARIO_TEXTS['clock-fault'], rounds: CLOCK_ROUNDS, copies: 1 },
  'forgotten-tare': { ...SCENARIO_TEXTS['forgotten-tare'], rounds: TARE_ROUNDS, copies: 1 },
};

/** What ought to become of everything that is sent, in no particular order. */
export function expectationsOf(day: WardDay, { copies }: Scenario): readonly Expectation[] {
  return day.readings.flatMap((reading) => expectedOfCopies(reading, copies));
}
