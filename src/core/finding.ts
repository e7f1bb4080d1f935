/**
 * What was found wrong (or worth saying) about one resource, as plain data.
 *
 * A finding names its rule and the facts that fill the rule's sentence; only
 * `toOperationOutcome` makes text for people out of it. Bad data is never an exception.
 */
import type * as fhir4 from 'fhir/r4.js';
import { OURS } from './terminology.ts';

/** What a rule does to a reading: refuse it, hold it, or let it pass with a remark. */
export type Outcome = 'refuse' | 'hold' | 'warn' | 'inform';

/** The verdict of a reading is the worst of its findings. */
export type Verdict = 'accepted' | 'held' | 'refused';

/** The HTTP status of a refusal by rule; 422 unless the rule says otherwise. */
export type RefusalStatus = 400 | 404 | 409 | 412 | 422;

/** The part of a rule that a finding's sentence needs: its passport. */
export interface RulePassport {
  /** kebab-case, permanent, never reused. */
  readonly id: string;
  /** A few words for a list. */
  readonly title: string;
  readonly family: RuleFamily;
  /** What happens by default. */
  readonly outcome: Outcome;
  /** May the policy choose another outcome? Not for what makes a reading undecodable. */
  readonly movable: boolean;
  readonly code: fhir4.OperationOutcomeIssue['code'];
  /** FHIRPath of the element, from the resource's root. A finding may name a closer one. */
  readonly expression: string;
  /** Title, organisation, year and section; or "common practice, no source"; or "local policy". */
  readonly source: string;
  /** One sentence of fact, one of what to do; `{name}` is filled from the finding's facts. */
  readonly explain: string;
  readonly refusalStatus?: RefusalStatus;
  /**
   * What settles a hold of this rule: a second weighing that agrees, or only one on another scale
   * (the same scale repeats its mistake). Without it, only a decision does.
   */
  readonly settledBy?: 'second-weighing' | 'other-scale';
  /** It speaks of an accepted reading: while the reading waits, it has nothing to say. */
  readonly onlyAccepted?: true;
  /** Names of the policy settings the rule reads, for the rules page. */
  readonly settings?: readonly string[];
}

export type RuleFamily =
  | 'transport'
  | 'structure'
  | 'profile'
  | 'unit'
  | 'precision'
  | 'plausibility'
  | 'change'
  | 'mix-up'
  | 'repeat'
  | 'time'
  | 'person'
  | 'device'
  | 'bmi'
  | 'enrichment'
  | 'identity';

export interface Finding {
  readonly rule: RulePassport;
  readonly outcome: Outcome;
  readonly expression: string;
  readonly facts: Readonly<Record<string, string>>;
}

/** A finding of `rule`, at its default outcome unless the policy says otherwise. */
export function finding(
  rule: RulePassport,
  facts: Readonly<Record<string, string>> = {},
  at: { readonly expression?: string; readonly outcome?: Outcome } = {},
): Finding {
  return { rule, facts, expression: at.expression ?? rule.expression, outcome: at.outcome ?? rule.outcome };
}

export function verdictOf(findings: readonly Pick<Finding, 'outcome'>[]): Verdict {
  if (findings.some(({ outcome }) => outcome === 'refuse')) return 'refused';
  return findings.some(({ outcome }) => outcome === 'hold') ? 'held' : 'accepted';
}

/** The HTTP status that a refused reading answers: the lowest that any of its rules asks for. */
export function refusalStatusOf(findings: readonly Finding[]): RefusalStatus {
  const statuses = findings.filter(({ outcome }) => outcome === 'refuse').map(({ rule }) => rule.refusalStatus ?? 422);
  return statuses.length === 0 ? 422 : (Math.min(...statuses) as RefusalStatus);
}

const SEVERITY: Readonly<Record<Outcome, 'error' | 'warning' | 'information'>> = {
  refuse: 'error',
  hold: 'warning',
  warn: 'warning',
  inform: 'information',
};

const RANK: Readonly<Record<Outcome, number>> = { refuse: 0, hold: 1, warn: 2, inform: 3 };

/** The filled sentence. Throws when a fact is missing, since that is a bug in the rule. */
export function explainFinding({ rule, facts }: Finding): string {
  return rule.explain.replace(/\{(\w+)\}/g, (_, name: string) => {
    const fact = facts[name];
    if (fact === undefined) throw new Error(`rule ${rule.id} explains itself with {${name}}, which the finding lacks`);
    return fact;
  });
}

/**
 * Findings as R4 OperationOutcome, the worst first: `diagnostics` is the sentence, `details` the rule,
 * `expression` the element; extensions carry what the rule did and its source.
 *
 * @param root prefix for expressions, e.g. `Bundle.entry[3].resource` in place of the type name
 */
export function toOperationOutcome(
  findings: readonly Finding[],
  options: { readonly policyVersion?: string; readonly root?: string } = {},
): fhir4.OperationOutcome {
  const worstFirst = [...findings].sort((a, b) => RANK[a.outcome] - RANK[b.outcome]);
  const said = worstFirst.length > 0 ? worstFirst : [finding(NO_REMARKS)];
  return {
    resourceType: 'OperationOutcome',
    ...(options.policyVersion && { extension: [{ url: OURS.policyVersionExtension, valueString: options.policyVersion }] }),
    issue: said.map((item) => toIssue(item, options.root)),
  };
}

/** What an outcome says when there is nothing to say: R4 wants at least one issue. */
export const NO_REMARKS: RulePassport = {
  id: 'no-remarks',
  title: 'No rule had anything to say',
  family: 'identity',
  outcome: 'inform',
  movable: false,
  code: 'informational',
  expression: 'Observation',
  source: 'HL7 FHIR R4 (4.0.1), OperationOutcome.issue (1..*)',
  explain: 'No rule had anything to say. No action is needed.',
};

function toIssue(item: Finding, root?: string): fhir4.OperationOutcomeIssue {
  const { rule, outcome, expression } = item;
  return {
    extension: [
      { url: OURS.ruleOutcomeExtension, valueCode: outcome },
      { url: OURS.ruleSourceExtension, valueString: rule.source },
    ],
    severity: SEVERITY[outcome],
    code: rule.code,
    details: { coding: [{ system: OURS.ruleSystem, code: rule.id, display: rule.title }], text: rule.title },
    diagnostics: explainFinding(item),
    expression: [root === undefined ? expression : rooted(expression, root)],
  };
}

function rooted(expression: string, root: string): string {
  if (expression.startsWith('Bundle') || expression.startsWith('http.')) return expression;
  return expression.replace(/^[A-Z][A-Za-z]*/, root);
}
