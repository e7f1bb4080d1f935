/** `steelyard rules` and `steelyard explain`: the rules in words, under the policy in use. */
import type { RulePassport } from '../core/finding.ts';
import type { Policy } from '../core/policy.ts';
import { settingsInWords } from '../core/policy-words.ts';
import { RULES } from '../core/rules/index.ts';
import { outcomeUnder } from '../core/rules/rule.ts';
import { loadExamplesOf, type RuleExamples } from '../rule-examples.ts';
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

/** Throws CommandFailed when there is no such rule. */
export function explainRule(
  id: string,
  { policy: file }: { readonly policy?: string },
  terminal: Terminal,
  installedExamples: (rule: string) => RuleExamples = loadExamplesOf,
): void {
  const policy = policyFrom(file);
  const rule = RULES.find((one) => one.id === id);
  if (rule === undefined) throw new CommandFailed('There is no rule of that id; steelyard rules lists them.');
  const outcome = outcomeUnder(rule, policy);
  const moved = outcome === rule.outcome ? '' : ' (moved there by the policy)';
  const fixed = rule.movable ? '' : '; a policy cannot change that';
  const lines = (name: string, text: string): string[] => {
    const [first = '', ...rest] = wrapped(text, terminal.columns, ' '.repeat(11));
    return [terminal.tint('dim', name.padEnd(11)) + first.trimStart(), ...rest];
  };
  terminal.print(
    terminal.tint('bold', `${rule.id}: ${rule.title}`),
    ...lines('does', `${WHAT_IT_DOES[outcome]}${moved}${fixed}`),
    ...lines('looks at', rule.expression),
    ...lines('says', rule.explain),
    ...lines('source', rule.source),
    ...thresholdsOf(rule, policy).flatMap((threshold) => lines('threshold', threshold)),
    ...lines('policy', policy.version),
    ...storiesOf(id, installedExamples(id)).flatMap(([name, text]) => lines(name, text)),
  );
}

/** Both examples of a rule in words: the one of which it speaks, and the same story put right. */
function storiesOf(id: string, { pass, fail }: RuleExamples): (readonly [name: string, text: string])[] {
  if (pass === undefined && fail === undefined) return [['example', 'none is installed']];
  const said = fail?.answer.issues.filter(({ rule }) => rule === id).map(({ diagnostics }) => diagnostics) ?? [];
  return [
    ...(fail ? [['example', fail.story] as const, ['', `${fail.answer.verdict}: ${said.join(' ')}`] as const] : []),
    ...(pass ? [['put right', pass.story] as const, ['', pass.answer.verdict] as const] : []),
    ['', 'Everybody in the examples is invented; the answers are those of the built-in policy.'],
  ];
}

function thresholdsOf({ settings = [] }: RulePassport, policy: Policy): string[] {
  return settings.flatMap((name) => settingsInWords(name, policy).map((setting) => `${setting.name} = ${setting.value}: ${setting.means}`));
}
