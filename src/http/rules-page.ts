/**
 * `/rules` and `/rules/{id}`: every rule in words, with its thresholds under the running policy
 * and its source, each with its examples; JSON for programs, a plain page for people.
 */
import { createHash } from 'node:crypto';
import type { RulePassport } from '../core/finding.ts';
import { stringifyExact } from '../core/json.ts';
import type { Policy } from '../core/policy.ts';
import { settingsInWords, type SettingInWords } from '../core/policy-words.ts';
import { outcomeUnder } from '../core/rules/rule.ts';
import { ServiceError } from '../errors.ts';
import type { RuleExamples } from '../rule-examples.ts';
import { OPEN } from './auth/needs.ts';
import { escapeHtml } from '../review/html.ts';
import { CAUTION } from '../review/page.ts';
import { cells, table } from './html.ts';
import type { DescribedAnswer } from './openapi/description.ts';
import type { Page } from './page.ts';
import { examplesOf } from './rule-examples-html.ts';
import type { Request, Response, Serving } from './serving.ts';

interface RuleInWords extends Pick<RulePassport, 'id' | 'title' | 'family' | 'movable' | 'code' | 'expression' | 'source' | 'explain'> {
  readonly outcome: RulePassport['outcome'] | 'off';
  /** What the rule does by default, when the running policy moved it elsewhere. */
  readonly outcomeByDefault: RulePassport['outcome'];
  readonly settings: readonly SettingInWords[];
}

export const RULES_STYLE =
  ':root{color-scheme:light dark}body{font:16px/1.5 sans-serif;margin:2rem auto;max-width:70rem;padding:0 1rem}' +
  'table{border-collapse:collapse;width:100%}th,td{border:1px solid #888;padding:.3rem .6rem;text-align:left;vertical-align:top}td{overflow-wrap:anywhere}th[scope=row]{min-width:7rem}' +
  'pre{border:1px solid #888;padding:.3rem .6rem;white-space:pre-wrap;overflow-wrap:anywhere}summary{cursor:pointer}' +
  '.caution{border-left:.25rem solid #b60;padding-left:.75rem}' +
  // on a narrow screen each row becomes a block of its own, so that nothing has to be scrolled sideways
  '@media(max-width:48rem){.list thead{position:absolute;clip-path:inset(50%)}.list tr{display:block;border-top:1px solid #888;padding:.5rem 0}' +
  '.list td{display:block;border:0;padding:.1rem 0}.list td::before{content:attr(data-head) ": ";font-weight:bold}}';
/** For the Content-Security-Policy, which allows this one style and no other. */
export const RULES_STYLE_HASH = `'sha256-${createHash('sha256').update(RULES_STYLE).digest('base64')}'`;

export function rulesPages({ rules, examples, policy }: Pick<Serving, 'rules' | 'examples' | 'policy'>): Page[] {
  return [
    {
      path: '/rules',
      need: OPEN,
      says: { summary: 'Every rule in words', means: IN_WORDS, answers: { 200: WORDS, 406: NOT_SERVED } },
      handle: (req, res) => {
        const { current } = policy;
        const inWords = rules.map((rule) => toWords(rule, current));
        send(req, res, { policy: current.version, rules: inWords }, () => page('Rules', current, listOf(inWords)));
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
        send(req, res, { policy: current.version, ...rule, examples: shown }, () => page(rule.title, current, detailOf(rule, shown)));
      },
    },
  ];
}

const IN_WORDS = 'What it checks, its thresholds under the policy in force, and its source.';
const WORDS: DescribedAnswer = { means: 'JSON for programs, a page for people.', media: ['application/json', 'text/html'] };
const NOT_SERVED: DescribedAnswer = { means: 'Another format was asked for.', resource: 'OperationOutcome' };

function send(req: Request, res: Response, content: object, html: () => string): void {
  const wanted = req.accepts(['application/json', 'text/html']);
  if (wanted === false)
    throw new ServiceError('ERR_NOT_ACCEPTABLE', 'The rules are served as application/json or text/html.', { expression: 'http.accept' });
  res
    .status(200)
    .set('Vary', 'Accept')
    .type(wanted)
    .end(wanted === 'text/html' ? html() : stringifyExact(content));
}

function toWords(rule: RulePassport, policy: Policy): RuleInWords {
  const { id, title, family, outcome, movable, code, expression, source, explain, settings = [] } = rule;
  const values = settings.flatMap((name) => settingsInWords(name, policy));
  const running = outcomeUnder(rule, policy);
  return { id, title, family, outcome: running, outcomeByDefault: outcome, movable, code, expression, source, explain, settings: values };
}

function listOf(rules: readonly RuleInWords[]): string {
  const rows = rules.map(
    ({ id, title, outcome, explain, source }) =>
      `<tr><td data-head="rule"><a href="/rules/${escapeHtml(encodeURIComponent(id))}">${escapeHtml(id)}</a></td>${cells([title, OUTCOME_WORDS[outcome], explain, source], LIST_HEADS.slice(1))}</tr>`,
  );
  return table(LIST_HEADS, rows);
}

function detailOf({ settings, ...rule }: RuleInWords, examples: RuleExamples): string {
  const shown: readonly (readonly [string, string])[] = [
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
  const facts = shown.map(([name, value]) => `<tr><th scope="row">${escapeHtml(name)}</th>${cells([value])}</tr>`);
  const values = settings.map(({ name, value, means, source }) => `<tr>${cells([name, value, means, source], SETTING_HEADS)}</tr>`);
  const thresholds = values.length === 0 ? '<p>It reads no threshold.</p>' : table(SETTING_HEADS, values);
  return `<table>${facts.join('')}</table><h2>Thresholds</h2>${thresholds}${examplesOf(examples)}<p><a href="/rules">All rules</a></p>`;
}

const LIST_HEADS = ['rule', 'title', 'what it does', 'what it says', 'source'] as const;
const SETTING_HEADS = ['setting', 'value', 'meaning', 'source'] as const;
const OUTCOME_WORDS = { refuse: 'refuses', hold: 'holds', warn: 'warns', inform: 'remarks', off: 'is switched off' } as const;

function page(title: string, policy: Policy, body: string): string {
  return (
    `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width,initial-scale=1">` +
    `<title>${escapeHtml(title)}</title><style>${RULES_STYLE}</style></head>` +
    `<body><main><h1>${escapeHtml(title)}</h1><p class="caution">${CAUTION}</p>` +
    `<p>Policy in force: ${escapeHtml(policy.version)}</p>${body}</main></body></html>`
  );
}
