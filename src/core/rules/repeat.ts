/** The same person weighed or pressed twice. Passports; `serial/judge.ts` and the decisions raise them. */
import { VALUE_NUMBER, type Rule } from './rule.ts';

export const doublePress: Rule = {
  id: 'double-press',
  title: 'The same value pressed twice',
  family: 'repeat',
  outcome: 'inform',
  movable: false,
  code: 'duplicate',
  expression: 'Observation',
  source: 'Lin et al., JAMIA Open 2022;5(4):ooac089 (duplicate entries are among the commonest faults); common practice for the interval',
  explain:
    'The same scale showed the same value {seconds} s after Observation/{first}, which is one weighing pressed twice. It is kept and linked, and only the first one counts and is forwarded. No action is needed.',
  settings: ['repeat.seconds'],
};

/** The same, of a reading that waits. */
export const doublePressHeld: Rule = {
  ...doublePress,
  id: 'double-press-held',
  title: 'The same value pressed twice, and the first one waits',
  outcome: 'hold',
  explain:
    'The same scale showed the same value {seconds} s after Observation/{first}, which is held, so this one waits with it. Weigh again after a minute, or decide about the first one.',
};

const AGREEMENT = 'PhenX Toolkit 021501 and 570101 (repeat measurements, in the words of NHANES practice)';

export const secondWeighingAgrees: Rule = {
  id: 'second-weighing-agrees',
  title: 'A second weighing agrees',
  family: 'repeat',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: VALUE_NUMBER,
  source: AGREEMENT,
  explain:
    'Observation/{other}, {apart} apart, agrees within {tolerance}, so the doubt is settled and both are accepted. The later of the two is what the next reading is compared with.',
  settings: [
    'release.windowMinutes',
    'release.weightKg',
    'release.weightOtherScaleKg',
    'release.infantWeightKg',
    'release.heightCm',
    'repeat.seconds',
  ],
};

export const secondWeighingReleases: Rule = {
  id: 'second-weighing-releases',
  title: 'This weighing settled a doubt',
  family: 'repeat',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: VALUE_NUMBER,
  source: AGREEMENT,
  explain:
    'It agrees with Observation/{other}, which was held and is released now. Both are accepted, and this later one is what the next reading is compared with.',
};

export const weighAgainAsked: Rule = {
  id: 'weigh-again-asked',
  title: 'A second weighing was asked for',
  family: 'repeat',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: 'Observation',
  source: 'common practice, no source',
  explain:
    'Somebody asked for a second weighing, and the reading goes on waiting. Weigh or measure again within {minutes} minutes of the first time, or decide what becomes of it.',
  settings: ['release.windowMinutes'],
};

export const decisionUndone: Rule = {
  id: 'decision-undone',
  title: 'The last decision was taken back',
  family: 'repeat',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: 'Observation',
  source: 'common practice, no source',
  explain: 'The decision of {at} was taken back, and the reading stands as it did before that. Weigh or measure again, or decide anew.',
};

export const REPEAT_RULES: readonly Rule[] = [
  doublePress,
  doublePressHeld,
  secondWeighingAgrees,
  secondWeighingReleases,
  weighAgainAsked,
  decisionUndone,
];
