/**
 * Everything that follows from a person's readings, as the whole set that ought to exist: a pure
 * function of the judged readings, the person and the policy.
 */
import type { Policy } from '../policy.ts';
import type { PersonFacts, Reading } from '../reading.ts';
import { deriveBmi, type BmiSet } from './bmi.ts';
import { bmiDraft } from './difference.ts';
import type { Draft } from './draft.ts';
import { deriveWeightChange } from './weight-change.ts';

export interface DerivedSet {
  readonly drafts: readonly Draft[];
  /** Why a weight has no BMI, by weight id. */
  readonly withoutBmi: BmiSet['without'];
}

/** @param readings with the standing that `serial/judge.ts` gives them */
export function deriveAll(
  readings: readonly Reading[],
  { person, policy }: { readonly person: PersonFacts; readonly policy: Policy },
): DerivedSet {
  const bmi = deriveBmi(readings, person, policy);
  return {
    drafts: [...bmi.drafts.map(bmiDraft), ...deriveWeightChange(readings, policy)],
    withoutBmi: bmi.without,
  };
}
