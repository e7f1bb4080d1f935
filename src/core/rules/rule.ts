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
import { ageAt, type Age, type Effective } from '../fhir-time.ts';
import { finding, type Finding, type RulePassport } from '../finding.ts';
import type { Policy } from '../policy.ts';
import type { Quantity } from '../quantity.ts';
import type { Context, Reading } from '../reading.ts';
import type { View } from '../serial/view.ts';

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
}

export interface Hit {
  readonly facts?: Readonly<Record<string, string>>;
  /** A closer element than the rule's own expression. */
  readonly expression?: string;
}

type Answer = Hit | readonly Hit[] | undefined;

export interface Rule extends RulePassport {
  /** Looks at the Observation by itself, once, when it arrives. */
  readonly check?: (subject: Subject) => Answer;
  /** Looks at the reading among the person's others, again whenever one of them changes. */
  readonly among?: (view: View) => Answer;
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
  return {
    observation,
    context,
    ...(measure && { measure }),
    ...(effective && { effective }),
    ...(quantity && { quantity }),
    ...(reading && { reading }),
    ...(age && { age }),
    band: reading?.basis === 'birth' ? 'newborn' : ageBand(age),
  };
}

/** Runs the rules that look at an Observation by itself, in order; the policy may move a movable rule to another outcome. */
export function applyRules(rules: readonly Rule[], subject: Subject): Finding[] {
  return rules.flatMap((rule) => findingsFrom(rule, () => rule.check?.(subject), subject.context.policy));
}

/** Runs the rules that look at a reading among the person's others, in order. */
export function applyAmong(rules: readonly Rule[], view: View): Finding[] {
  return rules.flatMap((rule) => findingsFrom(rule, () => rule.among?.(view), view.policy));
}

function findingsFrom(rule: Rule, ask: () => Answer, policy: Policy): Finding[] {
  const outcome = outcomeUnder(rule, policy);
  const answer = outcome === 'off' ? undefined : ask();
  if (answer === undefined || outcome === 'off') return [];
  const hits: readonly Hit[] = isList(answer) ? answer : [answer];
  return hits.map(({ facts = {}, expression }) => finding(rule, facts, { outcome, ...(expression !== undefined && { expression }) }));
}

function isList(answer: Hit | readonly Hit[]): answer is readonly Hit[] {
  return Array.isArray(answer);
}

/** What the rule does under this policy; a rule that is off is not asked. */
export function outcomeUnder(rule: RulePassport, policy: Policy): RulePassport['outcome'] | 'off' {
  return (rule.movable ? policy.outcomes[rule.id] : undefined) ?? rule.outcome;
}
