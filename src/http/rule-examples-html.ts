/**
 * The examples of one rule on its page: for a nurse what happened and what the service answered,
 * for an engineer, folded away, the requests and the answer as they go over the wire.
 */
import { stringifyExact, type JsonObject, type JsonValue } from '../core/json.ts';
import { prettyJson } from '../core/pretty-json.ts';
import type { EarlierRequest, RuleExample, RuleExamples } from '../rule-examples.ts';
import { FHIR_PATH } from '../addresses.ts';
import { element } from './html.ts';

const NONE = '<p>No example is installed.</p>';
const ABOUT =
  '<p>Everybody in the examples is invented. The answers are those of the service under its built-in policy; another policy may answer otherwise.</p>';
const VERDICT_WORDS = { accepted: 'Accepted.', held: 'Held.', refused: 'Refused.' } as const;
/** Lines of the JSON; a browser breaks longer ones. */
const COLUMNS = 100;

/** The example of which the rule speaks comes first: the other is the same story put right. */
export function examplesOf({ pass, fail }: RuleExamples): string {
  const head = element('h2', 'Examples');
  if (pass === undefined && fail === undefined) return head + NONE;
  const speaks = fail?.answer.verdict === 'accepted' ? 'One that it remarks on' : 'One that does not pass';
  return head + ABOUT + exampleOf(speaks, fail) + exampleOf('One that passes', pass);
}

function exampleOf(title: string, example: RuleExample | undefined): string {
  const head = element('h3', title);
  if (example === undefined) return head + NONE;
  const { story, answer } = example;
  const sentences = answer.issues.map(({ diagnostics }) => element('li', diagnostics)).join('');
  return `${head}${element('p', story)}<p><strong>${VERDICT_WORDS[answer.verdict]}</strong></p><ul>${sentences}</ul>${wireOf(example)}`;
}

function wireOf({ now, policy, imported = [], before = [], request, answer }: RuleExample): string {
  const parts = [
    element('p', `At ${now}, under the built-in policy${policy === undefined ? '' : ` with ${settingsIn(policy)}`}.`),
    imported.length === 0 ? '' : element('p', 'In the store from elsewhere:') + imported.map(json).join(''),
    before.length === 0 ? '' : element('p', 'Sent before it, in this order:') + before.map(call).join(''),
    element('p', 'The request:'),
    call(request),
    element('p', `The answer has status ${answer.status} and these issues, each shortened to what tells it apart:`),
    json(answer.issues.map((issue) => ({ ...issue }))),
  ];
  return `<details><summary>The request and its answer in JSON</summary>${parts.join('')}</details>`;
}

function settingsIn(policy: JsonObject): string {
  return Object.entries(policy)
    .map(([name, value]) => `${name} = ${stringifyExact(value)}`)
    .join(', ');
}

function call(request: EarlierRequest): string {
  const { method, url, ifMatch, ifNoneExist, at } = request;
  const address = url === '' ? FHIR_PATH : `${FHIR_PATH}/${url}`;
  const lines = [
    `${method} ${address}`,
    ...(ifMatch === undefined ? [] : [`If-Match: ${ifMatch}`]),
    ...(ifNoneExist === undefined ? [] : [`If-None-Exist: ${ifNoneExist}`]),
  ];
  const content = 'text' in request ? request.text : prettyJson(request.body, COLUMNS);
  return (at === undefined ? '' : element('p', `At ${at}:`)) + element('pre', `${lines.join('\n')}\n\n${content}`);
}

function json(tree: JsonValue): string {
  return element('pre', prettyJson(tree, COLUMNS));
}
