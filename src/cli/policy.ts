/** `steelyard policy explain` and `steelyard policy check`: a policy in words, and is a file one. */
import { loadConfig } from '../config.ts';
import type { Outcome } from '../core/finding.ts';
import type { Policy } from '../core/policy.ts';
import { explainPolicy, type ExplainedSetting } from '../core/policy-words.ts';
import { MOVABLE_RULES, RULES } from '../core/rules/index.ts';
import { outcomeUnder } from '../core/rules/rule.ts';
import { loadPolicy, readPolicyFile, sentenceOf } from '../policy-file.ts';
import { policyIn } from './policy-option.ts';
import { EXIT, printable, wrapped, type Terminal } from './terminal.ts';

export interface ExplainOptions {
  readonly policy?: string;
  readonly format: 'text' | 'json';
}

interface MovedRule {
  readonly id: string;
  readonly title: string;
  readonly outcome: Outcome | 'off';
  readonly default: Outcome;
}

/** The policy that a service of these settings goes by. Throws CommandFailed when its file is broken. */
export function policyInForce(file: string | undefined): Policy {
  return file === undefined ? loadPolicy(undefined, MOVABLE_RULES) : policyIn(file, 'STEELYARD_POLICY');
}

export function explainPolicyTo({ policy: file, format }: ExplainOptions, terminal: Terminal): void {
  const policy = file === undefined ? policyInForce(loadConfig(process.env).policyFile) : policyIn(file, '--policy');
  const settings = explainPolicy(policy);
  const rules = movedBy(policy);
  if (format === 'json') {
    terminal.print(JSON.stringify({ policy: policy.version, settings, rules }, undefined, 2));
    return;
  }
  for (const setting of settings) terminal.print(...settingLines(setting, terminal));
  terminal.print(...ruleLines(rules, terminal), '', ...wrapped(summaryOf(policy), terminal.columns));
}

/** Says whether a file is a policy, and everything that is wrong with it when it is not. */
export function checkPolicyFile(file: string, terminal: Terminal): number {
  const read = readPolicyFile(file, MOVABLE_RULES);
  if (read.ok) {
    terminal.print(...wrapped(`${printable(file)} is a valid policy. ${summaryOf(read.policy)}`, terminal.columns));
    return EXIT.ok;
  }
  terminal.complain(...read.problems.map((problem) => printable(sentenceOf(problem, 'The file'))));
  return read.isReadable ? EXIT.found : EXIT.usage;
}

function movedBy(policy: Policy): MovedRule[] {
  return RULES.flatMap((rule) => {
    const outcome = outcomeUnder(rule, policy);
    return outcome === rule.outcome ? [] : [{ id: rule.id, title: rule.title, outcome, default: rule.outcome }];
  });
}

function summaryOf(policy: Policy): string {
  const settings = explainPolicy(policy);
  const differing = settings.filter(({ differs }) => differs).length;
  return `Policy ${policy.version}: ${differing} of ${settings.length} settings and limits differ from the default, ${movedBy(policy).length} of ${MOVABLE_RULES.size} movable rules are moved.`;
}

const INDENT = ' '.repeat(4);

function settingLines({ name, value, means, source, differs, default: fallback = 'none' }: ExplainedSetting, terminal: Terminal): string[] {
  const { tint, columns } = terminal;
  const head = differs ? tint('yellow', `* ${name} = ${value} (default ${fallback})`) : `  ${tint('bold', name)} = ${value}`;
  return [head, ...wrapped(means, columns, INDENT), ...wrapped(`source: ${source}`, columns, INDENT).map((line) => tint('dim', line))];
}

function ruleLines(rules: readonly MovedRule[], { tint, columns }: Terminal): string[] {
  if (rules.length === 0) return ['', 'No rule is moved.'];
  const lines = rules.flatMap(({ id, title, outcome, default: fallback }) => [
    tint('yellow', `* rule.${id} = ${outcome} (default ${fallback})`),
    ...wrapped(title, columns, INDENT),
  ]);
  return ['', 'Rules that the policy moves:', ...lines];
}
