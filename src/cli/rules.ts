/** `steelyard rules` and `steelyard explain`: the rules in words, under the policy in use. */
import type { RulePassport } from '../core/finding.ts';
import { nearestName } from '../core/nearest-name.ts';
import type { Policy } from '../core/policy.ts';
import { settingsInWords } from '../core/policy-words.ts';
import { RULES } from '../core/rules/index.ts';
import { outcomeUnder, type Rule } from '../core/rules/rule.ts';
import { loadExamplesOf, type ExampleAnswer, type RuleExamples } from '../rule-examples.ts';
import { policyFrom } from './policy-option.ts';
import { CommandFailed, wrapped, type Terminal } from './terminal.ts';

const WHAT_IT_DOES = {
  refuse: 'refuses',
  hold: 'holds',
  warn: 'lets pass with a warning',
  inform: 'lets pass with a remark',
  off: 'is switched off',
} as const;

export function listRules({ policy: file }: { readonly policy?: string }, terminal: Terminal): void {
  const policy = policyFrom(file);
  const width = Math.max(...RULES.map(({ id }) => id.length));
  let family = '';
  for (const rule of RULES) {
    if (rule.family !== family) terminal.print(...(family === '' ? [] : ['']), terminal.tint('bold', rule.family));
    family = rule.family;
    terminal.print(`  ${rule.id.padEnd(width)}  ${outcomeUnder(rule, policy).padEnd(6)}  ${rule.title}`);
  }
  terminal.print('', `${RULES.length} rules under policy ${policy.version}. steelyard explain RULE says more about one.`);
}

export interface ExplainOptions {
  readonly policy?: string;
  readonly format: 'text' | 'json';
}

/** Throws CommandFailed when there is no such rule, with the id that was probably meant. */
export function explainRule(
  id: string,
  { policy: file, format }: ExplainOptions,
  terminal: Terminal,
  installedExamples: (rule: string) => RuleExamples = loadExamplesOf,
): void {
  const policy = policyFrom(file);
  const rule = RULES.find((one) => one.id === id);
  if (rule === undefined) throw new CommandFailed(noSuchRule(id));
  const examples = installedExamples(id);
  if (format === 'json') terminal.print(JSON.stringify(explained(rule, policy, examples), undefined, 2));
  else terminal.print(...explainedLines(rule, policy, examples, terminal));
}

function noSuchRule(id: string): string {
  const meant = nearestName(
    id,
    RULES.map((rule) => rule.id),
  );
  return `There is no rule of that id; ${meant === undefined ? 'steelyard rules lists them' : `did you mean ${meant}? steelyard rules lists all`}.`;
}

/** For programs: what the text says, and the whole answer to each example. */
function explained(rule: Rule, policy: Policy, { pass, fail }: RuleExamples): object {
  const { id, title, family, movable, code, expression, explain, source, settings = [] } = rule;
  return {
    ...{ id, title, family, outcome: outcomeUnder(rule, policy), defaultOutcome: rule.outcome, movable, code, expression, explain, source },
    thresholds: settings.flatMap((name) => settingsInWords(name, policy)),
    policy: policy.version,
    examples: {
      ...(fail && { fail: { story: fail.story, answer: fail.answer } }),
      ...(pass && { pass: { story: pass.story, answer: pass.answer } }),
    },
  };
}

function explainedLines(rule: Rule, policy: Policy, examples: RuleExamples, terminal: Terminal): string[] {
  const outcome = outcomeUnder(rule, policy);
  const moved = outcome === rule.outcome ? '' : ' (moved there by the policy)';
  const fixed = rule.movable ? '' : '; a policy cannot change that';
  const lines = (name: string, text: string): string[] => {
    const [first = '', ...rest] = wrapped(text, terminal.columns, ' '.repeat(11));
    return [terminal.tint('dim', name.padEnd(11)) + first.trimStart(), ...rest];
  };
  return [
    terminal.tint('bold', `${rule.id}: ${rule.title}`),
    ...lines('does', `${WHAT_IT_DOES[outcome]}${moved}${fixed}`),
    ...lines('looks at', rule.expression),
    ...lines('says', rule.explain),
    ...lines('source', rule.source),
    ...thresholdsOf(rule, policy).flatMap((threshold) => lines('threshold', threshold)),
    ...lines('policy', policy.version),
    ...storiesOf(rule.id, examples).flatMap(([name, text]) => lines(name, text)),
  ];
}

/** Both examples of a rule in words: the one of which it speaks, and the same story put right. */
function storiesOf(id: string, { pass, fail }: RuleExamples): (readonly [name: string, text: string])[] {
  if (pass === undefined && fail === undefined) return [['example', 'none is installed']];
  const said = fail?.answer.issues.filter(({ rule }) => rule === id).map(({ diagnostics }) => diagnostics) ?? [];
  return [
    ...(fail
      ? [
          ['example', fail.story] as const,
          ['', `${fail.answer.verdict}: ${said.join(' ')}`] as const,
          ['answer', answerOf(id, fail.answer)] as const,
        ]
      : []),
    ...(pass ? [['put right', pass.story] as const, ['', pass.answer.verdict] as const] : []),
    ['', 'Everybody in the examples is invented; the answers are those of the built-in policy.'],
  ];
}

/** How the call is answered: its status, and where in the OperationOutcome the rule speaks. */
function answerOf(id: string, { status, issues }: ExampleAnswer): string {
  const [issue] = issues.filter(({ rule }) => rule === id);
  const at = issue
    ? `an issue of OperationOutcome with details.coding.code ${id}, rule-outcome ${issue.outcome}, expression ${issue.expression}`
    : 'none';
  return `HTTP ${status}, ${at}, and the sentence in diagnostics`;
}

function thresholdsOf({ settings = [] }: RulePassport, policy: Policy): string[] {
  return settings.flatMap((name) => settingsInWords(name, policy).map((setting) => `${setting.name} = ${setting.value}: ${setting.means}`));
}
