/** The days that can be simulated, in words: what happens, and what should come out of it under the built-in policy. */

export interface ScenarioText {
  readonly title: string;
  /** What should come out, in sentences. */
  readonly promise: string;
}

export const SCENARIO_TEXTS = {
  'ward-day': {
    title: 'an ordinary day',
    promise:
      'Every right way of weighing and measuring is accepted, each mistake is held or refused by the rule for it, and the right reading behind it is accepted. What is sent twice is known the second time.',
  },
  'duplicate-storm': {
    title: 'two gateways send every reading six times, most of them at once and in another order of members',
    promise:
      'Of the copies of a reading one is accepted or held and all others are known already, under the same id; what is refused is refused each time.',
  },
  'clock-fault': {
    title: 'gateways with wrong clocks',
    promise:
      'What comes from a clock three hours ahead is refused (time-future); a factory date is held (time-old), and refused where it lies before birth (time-before-birth). A clock six hours behind, or set back by an hour, makes times that are possible: those readings are accepted, in the order of the times that they bear.',
  },
  'forgotten-tare': {
    title: 'chairs, cushions and slings that were weighed along',
    promise:
      'A chair of which nothing is said is held (tare-missing), a cushion that is named but not in the tare too (tare-differs), a sling that was weighed but not subtracted too (tare-arithmetic), and a chair that makes a jump since yesterday too (tare-forgotten). A sling of 1.9 kg of which nothing is said is accepted: no rule can tell it from a meal.',
  },
} as const satisfies Record<string, ScenarioText>;

export type ScenarioName = keyof typeof SCENARIO_TEXTS;
export const SCENARIO_NAMES = Object.keys(SCENARIO_TEXTS) as readonly ScenarioName[];
