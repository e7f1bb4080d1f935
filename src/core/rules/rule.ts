/**
 * What a rule is: a passport (id, outcome, code, element, source, sentence) and a check.
 *
 * A rule knows no other rule, and no two fire for one cause. It returns the facts that fill its
 * sentence, or undefined when it has nothing to say. Limits come from the policy, never from
 * the check. Rules without a check are raised by the stage that meets their cause (the JSON
 * reader, the structure check, the derivation, the store).
 */
import { codedMeasure, effectiveOf, exactQuantity, type CodedMeasure, type ExactObservation } from '../observation.ts';
import { ageBand, type AgeBand } from '../age-bands.ts';
import { deriveBmi, type BmiDraft, type BmiSet } from '../derive/bmi.ts';
import { ageAt, type Age, type Effective } from '../fhir-time.ts';
import { finding, type Finding, type RulePassport } from '../finding.ts';
import type { Quantity } from '../quantity.ts';
import type { Context, Reading } from '../reading.ts';

/** What a rule looks at: the Observation as sent, and as much of it as could be decoded. */
export interface Subject {
  readonly observation: ExactObservation;
  readonly context: Context;
  readonly measure?: CodedMeasure;
  readonly effective?: Effective;
  readonly quantity?: Quantity;
  /** The whole reading, when it could be decoded. */
  readonly reading?: Reading;
  readonly age?: Age;
  readonly band: AgeBand;
  /** The person's whole BMI set, were this reading accepted. */
  readonly bmiSet: BmiSet;
  /** Of these, the BMI that this reading is an input of. */
  readonly bmi: readonly BmiDraft[];
  readonly impossibleBmi: readonly BmiDraft[];
}

export interface Hit {
  readonly facts?: Readonly<Record<string, string>>;
  /** A closer element than the rule's own expression. */
  readonly expression?: string;
}

export interface Rule extends RulePassport {
  readonly check?: (subject: Subject) => Hit | readonly Hit[] | undefined;
}

/** Element paths that many rules name. */
export const VALUE = 'Observation.value.ofType(Quantity)';
export const VALUE_NUMBER = `${VALUE}.value`;
export const EFFECTIVE = 'Observation.effective';

/** Decodes what can be decoded of `observation` for the rules to look at. */
export function subjectOf(observation: ExactObservation, reading: Reading | undefined, context: Context): Subject {
  const measure = codedMeasure(observation);
  const effective = effectiveOf(observation);
  const of = measure?.of;
  const quantity = of === undefined || of === 'bmi' ? undefined : exactQuantity(observation.valueQuantity, of);
  const { birthDate } = context.person;
  const age = birthDate === undefined || effective === undefined ? undefined : ageAt(birthDate, effective.startMs);
  const readings = reading === undefined ? context.history : [...context.history, reading];
  const bmiSet = deriveBmi(readings, context.person, context.policy);
  const isInput = ({ weight, height }: BmiDraft): boolean => weight.id === reading?.id || height.id === reading?.id;
  return {
    observation,
    context,
    ...(measure && { measure }),
    ...(effective && { effective }),
    ...(quantity && { quantity }),
    ...(reading && { reading }),
    ...(age && { age }),
    band: reading?.basis === 'birth' ? 'newborn' : ageBand(age),
    bmiSet,
    bmi: bmiSet.drafts.filter(isInput),
    impossibleBmi: bmiSet.impossible.filter(isInput),
  };
}

/** Runs rules in order; the policy may move a movable rule to another outcome. */
export function applyRules(rules: readonly Rule[], subject: Subject): Finding[] {
  return rules.flatMap((rule) => {
    const result = rule.check?.(subject);
    if (result === undefined) return [];
    const hits: readonly Hit[] = isList(result) ? result : [result];
    const outcome = outcomeUnder(rule, subject.context.policy);
    return hits.map(({ facts = {}, expression }) => finding(rule, facts, { outcome, ...(expression !== undefined && { expression }) }));
  });
}

function isList(result: Hit | readonly Hit[]): result is readonly Hit[] {
  return Array.isArray(result);
}

/** What the rule does under this policy. */
export function outcomeUnder(rule: RulePassport, policy: Context['policy']): RulePassport['outcome'] {
  return (rule.movable ? policy.outcomes[rule.id] : undefined) ?? rule.outcome;
}
