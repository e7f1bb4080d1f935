/**
 * `/rules` and `/rules/{id}`: every rule in words, with its thresholds under the running policy
 * and its source, each with its examples; JSON for programs, a plain page for people.
 */
import type { RulePassport } from '../core/finding.ts';
import { stringifyExact } from '../core/json.ts';
import type { Policy } from '../core/policy.ts';
import { settingsInWords, type SettingInWords } from '../core/policy-words.ts';
import { outcomeUnder } from '../core/rules/rule.ts';
import { ServiceError } from '../errors.ts';
import type { RuleExamples } from '../rule-examples.ts';
import { OPEN } from './auth/needs.ts';
import { html, type Html } from '../review/html.ts';
import { page, table } from '../review/page.ts';
import type { DescribedAnswer } from './openapi/description.ts';
import type { Page } from './page.ts';
import { PAGE_POLICY } from './review/page-policy.ts';
import { examplesOf } from './rule-examples-html.ts';
import type { Request, Response, Serving } from './serving.ts';

interface RuleInWords extends Pick<RulePassport, 'id' | 'title' | 'family' | 'movable' | 'code' | 'expression' | 'source' | 'explain'> {
  readonly outcome: RulePassport['outcome'] | 'off';
  /** What the rule does by default, when the running policy moved it elsewhere. */
  readonly outcomeByDefault: RulePassport['outcome'];
  readonly settings: readonly SettingInWords[];
}

export function rulesPages({ rules, examples, policy }: Pick<Serving, 'rules' | 'examples' | 'policy'>): Page[] {
  return [
    {
      path: '/rules',
      need: OPEN,
      says: { summary: 'Every rule in words', means: IN_WORDS, answers: { 200: WORDS, 406: NOT_SERVED } },
      handle: (req, res) => {
        const { current } = policy;
        const inWords = rules.map((rule) => toWords(rule, current));
        send(req, res, { policy: current.version, rules: inWords }, () => pageOf('Rules', current, listOf(inWords)));
      },
    },
    {
      path: '/rules/:id',
      need: OPEN,
      says: {
        summary: 'One rule in words, with examples',
        means: IN_WORDS,
        answers: { 200: WORDS, 404: { means: 'There is no such rule.', resource: 'OperationOutcome' }, 406: NOT_SERVED },
      },
      handle: (req, res) => {
        const { current } = policy;
        const passport = rules.find(({ id }) => id === req.params['id']);
        if (!passport) throw new ServiceError('ERR_NOT_FOUND', 'There is no such rule. GET /rules lists them.');
        const rule = toWords(passport, current);
        const shown = examples.get(rule.id) ?? {};
        send(req, res, { policy: current.version, ...rule, examples: shown }, () => pageOf(rule.title, current, detailOf(rule, shown)));
      },
    },
  ];
}

const IN_WORDS = 'What it checks, its thresholds under the policy in force, and its source.';
const WORDS: DescribedAnswer = { means: 'JSON for programs, a page for people.', media: ['application/json', 'text/html'] };
const NOT_SERVED: DescribedAnswer = { means: 'Another format was asked for.', resource: 'OperationOutcome' };

function send(req: Request, res: Response, content: object, inHtml: () => string): void {
  const wanted = req.accepts(['application/json', 'text/html']);
  if (wanted === false)
    throw new ServiceError('ERR_NOT_ACCEPTABLE', 'The rules are served as application/json or text/html.', { expression: 'http.accept' });
  res
    .status(200)
    .set({ Vary: 'Accept', 'Content-Security-Policy': PAGE_POLICY })
    .type(wanted)
    .end(wanted === 'text/html' ? inHtml() : stringifyExact(content));
}

function toWords(rule: RulePassport, policy: Policy): RuleInWords {
  const { id, title, family, outcome, movable, code, expression, source, explain, settings = [] } = rule;
  const values = settings.flatMap((name) => settingsInWords(name, policy));
  const running = outcomeUnder(rule, policy);
  return { id, title, family, outcome: running, outcomeByDefault: outcome, movable, code, expression, source, explain, settings: values };
}

function listOf(rules: readonly RuleInWords[]): Html {
  const rows = rules.map(({ id, title, outcome, explain, source }) => [
    html`<a href="/rules/${encodeURIComponent(id)}">${id}</a>`,
    title,
    OUTCOME_WORDS[outcome],
    explain,
    source,
  ]);
  return table('Every rule, in the order in which they speak', LIST_HEADS, rows);
}

function detailOf({ settings, ...rule }: RuleInWords, examples: RuleExamples): Html {
  const facts: readonly (readonly [string, string])[] = [
    ['rule', rule.id],
    ['what it says', rule.explain],
    ['what it does', OUTCOME_WORDS[rule.outcome]],
    ['by default', OUTCOME_WORDS[rule.outcomeByDefault]],
    ['may the policy change that', rule.movable ? 'yes' : 'no'],
    ['source', rule.source],
    ['element', rule.expression],
    ['FHIR issue code', rule.code],
    ['family', rule.family],
  ];
  const values = settings.map(({ name, value, means, source }) => [name, value, means, source]);
  return html`${table('What it is', ['', ''], facts)}
    <h2>Thresholds</h2>
    ${values.length === 0 ? html`<p>It reads no threshold.</p>` : table('Under the policy in force', SETTING_HEADS, values)}${examplesOf(examples)}
    <p><a href="/rules">All rules</a></p>`;
}

const LIST_HEADS = ['rule', 'title', 'what it does', 'what it says', 'source'] as const;
const SETTING_HEADS = ['setting', 'value', 'meaning', 'source'] as const;
const OUTCOME_WORDS = { refuse: 'refuses', hold: 'holds', warn: 'warns', inform: 'remarks', off: 'is switched off' } as const;

/** In the frame of the pages, but for everybody: it shows nobody's session. */
function pageOf(title: string, policy: Policy, content: Html): string {
  return page(
    { title, section: '/rules', isOpen: false },
    html`<p>Policy in force: ${policy.version}</p>
      ${content}`,
  );
}
