/**
 * The golden files in `rules/`: of each rule a story in which it has nothing to say (`pass.json`)
 * and one in which it speaks (`fail.json`), with the service's own answers. `tests/golden` holds
 * them true; the rules pages and `steelyard explain` show them.
 */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { parseDateTime } from './core/fhir-time.ts';
import type { Outcome, Verdict } from './core/finding.ts';
import { isJsonObject, parseExactJson, type JsonObject, type JsonValue } from './core/json.ts';
import { isLosslessNumber } from 'lossless-json';
import { installedFolder } from './installation.ts';

/** What a golden file says besides the answer. Numbers in resources keep their written digits. */
export interface RuleStory {
  /** What happened at the bedside, in a nurse's words: one or two sentences. Everybody in it is invented. */
  readonly story: string;
  /** The service's clock when the request arrives: an instant. */
  readonly now: string;
  /** Settings in which the policy differs from the built-in one, by name, as in a policy file. */
  readonly policy?: JsonObject;
  /** Rows of growth tables that the service has: table, sex, at, l, m, s. Published figures. */
  readonly growth?: readonly JsonObject[];
  /** Observations that the store holds from elsewhere: they were never judged here. */
  readonly imported?: readonly JsonObject[];
  /** Requests that were served before, none of them refused. */
  readonly before?: readonly EarlierRequest[];
  readonly request: ExampleRequest;
}

/** One file of `rules/{rule id}/`. */
export interface RuleExample extends RuleStory {
  readonly answer: ExampleAnswer;
}

export type ExampleRequest = RequestLine & ({ readonly body: JsonObject } | { readonly text: string });

export interface RequestLine {
  readonly method: 'POST' | 'PUT';
  /** Below the FHIR base, such as `Observation` or `Device/chair-scale`; empty for a Bundle. */
  readonly url: string;
  /** A version as `W/"1"`. */
  readonly ifMatch?: string;
  readonly ifNoneExist?: string;
}

/** `at` is the service's clock when it arrived: an instant; `now` when absent. */
export type EarlierRequest = ExampleRequest & { readonly at?: string };

export interface ExampleAnswer {
  readonly status: number;
  readonly verdict: Verdict;
  /** All issues of the answer's OperationOutcome, in order; of a Bundle those of all its entries. */
  readonly issues: readonly ExampleIssue[];
}

export interface ExampleIssue {
  readonly rule: string;
  readonly outcome: Outcome;
  readonly expression: string;
  readonly diagnostics: string;
}

export const SIDES = ['pass', 'fail'] as const;
export type Side = (typeof SIDES)[number];
export type RuleExamples = Readonly<Partial<Record<Side, RuleExample>>>;

/**
 * The examples of every rule that has a folder, by rule id; none when there is no folder `rules/`:
 * the service judges as well without them.
 *
 * @throws Error that names the file when one is not as it should be
 */
export function loadRuleExamples(folder: string | undefined = installedFolder('rules')): ReadonlyMap<string, RuleExamples> {
  if (folder === undefined || !existsSync(folder)) return new Map();
  return new Map(ruleFolders(folder).map((rule) => [rule, loadExamplesOf(rule, folder)]));
}

/** The examples of one rule; see `loadRuleExamples`. */
export function loadExamplesOf(rule: string, folder: string | undefined = installedFolder('rules')): RuleExamples {
  if (folder === undefined) return {};
  const found = SIDES.flatMap((side) => {
    const file = join(folder, rule, `${side}.json`);
    return existsSync(file) ? [[side, readRuleExample(readFileSync(file, 'utf8'), `rules/${rule}/${side}.json`)] as const] : [];
  });
  return Object.fromEntries(found);
}

/** Names of the folders in `rules/`, each that of a rule. */
export function ruleFolders(folder: string): string[] {
  return readdirSync(folder, { withFileTypes: true })
    .filter((entry) => entry.isDirectory())
    .map(({ name }) => name)
    .sort();
}

/** @throws Error that begins with `name` when the text is no golden file */
export function readRuleExample(text: string, name: string): RuleExample {
  const tree = treeOf(text, name);
  if (tree['answer'] === undefined) throw new Error(`${name}: there is no answer; npm run golden writes it`);
  return { ...storyIn(tree, name), answer: answerIn(tree['answer'], `${name}: answer`) };
}

/** A golden file whose answer may still be missing; throws like `readRuleExample`. */
export function readRuleStory(text: string, name: string): RuleStory {
  return storyIn(treeOf(text, name), name);
}

function treeOf(text: string, name: string): JsonObject {
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new Error(`${name}: line ${parsed.problem.line}: ${parsed.problem.reason}`);
  return membersOf(parsed.value, name, ['story', 'now', 'policy', 'growth', 'imported', 'before', 'request', 'answer']);
}

function storyIn({ story, now, policy, growth, imported, before, request }: JsonObject, name: string): RuleStory {
  return {
    story: textIn(story, `${name}: story`),
    now: instantIn(now, `${name}: now`),
    ...(policy !== undefined && { policy: objectIn(policy, `${name}: policy`) }),
    ...(growth !== undefined && { growth: listIn(growth, `${name}: growth`).map((item) => objectIn(item, `${name}: growth`)) }),
    ...(imported !== undefined && { imported: listIn(imported, `${name}: imported`).map((item) => objectIn(item, `${name}: imported`)) }),
    ...(before !== undefined && {
      before: listIn(before, `${name}: before`).map((item, index) => earlierIn(item, `${name}: before[${index}]`)),
    }),
    request: requestIn(membersOf(request, `${name}: request`, REQUEST), `${name}: request`),
  };
}

const REQUEST = ['method', 'url', 'ifMatch', 'ifNoneExist', 'body', 'text'] as const;

function earlierIn(value: JsonValue, where: string): EarlierRequest {
  const { at, ...request } = membersOf(value, where, [...REQUEST, 'at']);
  return { ...requestIn(request, where), ...(at !== undefined && { at: instantIn(at, `${where}.at`) }) };
}

function requestIn({ method, url, ifMatch, ifNoneExist, body, text }: JsonObject, where: string): ExampleRequest {
  if (method !== 'POST' && method !== 'PUT') throw new Error(`${where}: the method must be POST or PUT`);
  if ((body === undefined) === (text === undefined)) throw new Error(`${where}: there must be either a body or a text`);
  return {
    method,
    url: textIn(url, `${where}.url`),
    ...(ifMatch !== undefined && { ifMatch: textIn(ifMatch, `${where}.ifMatch`) }),
    ...(ifNoneExist !== undefined && { ifNoneExist: textIn(ifNoneExist, `${where}.ifNoneExist`) }),
    ...(body === undefined ? { text: textIn(text, `${where}.text`) } : { body: objectIn(body, `${where}.body`) }),
  };
}

const VERDICTS: readonly string[] = ['accepted', 'held', 'refused'] satisfies Verdict[];
const OUTCOMES: readonly string[] = ['refuse', 'hold', 'warn', 'inform'] satisfies Outcome[];

function answerIn(value: JsonValue, where: string): ExampleAnswer {
  const { status, verdict, issues } = membersOf(value, where, ['status', 'verdict', 'issues']);
  if (!isLosslessNumber(status) || !/^[2-5]\d\d$/.test(status.value)) throw new Error(`${where}.status must be an HTTP status`);
  return {
    status: Number(status.value),
    verdict: oneOf(verdict, VERDICTS, `${where}.verdict`) as Verdict,
    issues: listIn(issues, `${where}.issues`).map((item, index) => issueIn(item, `${where}.issues[${index}]`)),
  };
}

function issueIn(value: JsonValue, where: string): ExampleIssue {
  const { rule, outcome, expression, diagnostics } = membersOf(value, where, ['rule', 'outcome', 'expression', 'diagnostics']);
  return {
    rule: textIn(rule, `${where}.rule`),
    outcome: oneOf(outcome, OUTCOMES, `${where}.outcome`) as Outcome,
    expression: textIn(expression, `${where}.expression`),
    diagnostics: textIn(diagnostics, `${where}.diagnostics`),
  };
}

function membersOf(value: JsonValue | undefined, where: string, known: readonly string[]): JsonObject {
  const object = objectIn(value, where);
  const stranger = Object.keys(object).find((name) => !known.includes(name));
  if (stranger !== undefined) throw new Error(`${where}: ${stranger} is none of ${known.join(', ')}`);
  return object;
}

function objectIn(value: JsonValue | undefined, where: string): JsonObject {
  if (!isJsonObject(value)) throw new Error(`${where} must be a JSON object`);
  return value;
}

function listIn(value: JsonValue | undefined, where: string): readonly JsonValue[] {
  if (!Array.isArray(value)) throw new Error(`${where} must be a list`);
  return value;
}

function textIn(value: JsonValue | undefined, where: string): string {
  if (typeof value !== 'string') throw new Error(`${where} must be a text`);
  return value;
}

function oneOf(value: JsonValue | undefined, choices: readonly string[], where: string): string {
  const text = textIn(value, where);
  if (!choices.includes(text)) throw new Error(`${where} must be one of ${choices.join(', ')}`);
  return text;
}

function instantIn(value: JsonValue | undefined, where: string): string {
  const text = textIn(value, where);
  if (parseDateTime(text)?.precision !== 'time') throw new Error(`${where} must be a date and time with an offset`);
  return text;
}
