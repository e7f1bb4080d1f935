/**
 * Everything that follows from a person's readings, as the whole set that ought to exist: a pure
 * function of the judged readings, the person, the policy and the growth tables.
 */
import type { Context, Reading } from '../reading.ts';
import { deriveBmi, type BmiSet } from './bmi.ts';
import { bmiDraft } from './difference.ts';
import { deriveDosing } from './dosing-figures.ts';
import type { Draft } from './draft.ts';
import { deriveGrowth } from './growth-figures.ts';
import { deriveHeights, estimatedHeights } from './height-figure.ts';
import { deriveWeightChange } from './weight-change.ts';

export interface DerivedSet {
  readonly drafts: readonly Draft[];
  /** Why a weight has no BMI, by weight id. */
  readonly withoutBmi: BmiSet['without'];
}

/** @param readings with the standing that `serial/judge.ts` gives them */
export function deriveAll(
  readings: readonly Reading[],
  { person, policy, growth }: Pick<Context, 'person' | 'policy' | 'growth'>,
): DerivedSet {
  const estimates = policy.values['bmi.estimatedHeight'] ? estimatedHeights(readings, person) : [];
  const bmi = deriveBmi(readings, person, policy, estimates);
  const measured = bmi.drafts.filter(({ isEstimated }) => !isEstimated);
  return {
    drafts: [
      ...bmi.drafts.map(bmiDraft),
      ...deriveWeightChange(readings, policy),
      ...deriveGrowth(readings, measured, person, policy, growth),
      ...deriveDosing(readings, measured, person, policy),
      ...deriveHeights(readings, person, policy),
    ],
    withoutBmi: bmi.without,
  };
}
