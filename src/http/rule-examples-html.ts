/**
 * The examples of one rule on its page: for a nurse what happened and what the service answered,
 * for an engineer, folded away, the requests and the answer as they go over the wire.
 */
import { stringifyExact, type JsonObject, type JsonValue } from '../core/json.ts';
import { prettyJson } from '../core/pretty-json.ts';
import type { EarlierRequest, RuleExample, RuleExamples } from '../rule-examples.ts';
import { FHIR_PATH } from '../addresses.ts';
import { html, type Html } from '../review/html.ts';

const NONE = html`<p>No example is installed.</p>`;
const ABOUT = html`<p>
  Everybody in the examples is invented. The answers are those of the service under its built-in policy; another policy may answer
  otherwise.
</p>`;
const VERDICT_WORDS = { accepted: 'Accepted.', held: 'Held.', refused: 'Refused.' } as const;
/** Lines of the JSON; a browser breaks longer ones. */
const COLUMNS = 100;

/** The example of which the rule speaks comes first: the other is the same story put right. */
export function examplesOf({ pass, fail }: RuleExamples): Html {
  const head = html`<h2>Examples</h2>`;
  if (pass === undefined && fail === undefined) return html`${head}${NONE}`;
  const speaks = fail?.answer.verdict === 'accepted' ? 'One that it remarks on' : 'One that does not pass';
  return html`${head}${ABOUT}${exampleOf(speaks, fail)}${exampleOf('One that passes', pass)}`;
}

function exampleOf(title: string, example: RuleExample | undefined): Html {
  const head = html`<h3>${title}</h3>`;
  if (example === undefined) return html`${head}${NONE}`;
  const { story, answer } = example;
  return html`${head}
    <p>${story}</p>
    <p><strong>${VERDICT_WORDS[answer.verdict]}</strong></p>
    <ul>
      ${answer.issues.map(({ diagnostics }) => html`<li>${diagnostics}</li>`)}
    </ul>
    ${wireOf(example)}`;
}

function wireOf({ now, policy, imported = [], before = [], request, answer }: RuleExample): Html {
  return html`<details>
    <summary>The request and its answer in JSON</summary>
    <p>At ${now}, under the built-in policy${policy === undefined ? '' : ` with ${settingsIn(policy)}`}.</p>
    ${imported.length > 0 && html`<p>In the store from elsewhere:</p>`}${imported.map(json)}
    ${before.length > 0 && html`<p>Sent before it, in this order:</p>`}${before.map(call)}
    <p>The request:</p>
    ${call(request)}
    <p>The answer has status ${answer.status} and these issues, each shortened to what tells it apart:</p>
    ${json(answer.issues.map((issue) => ({ ...issue })))}
  </details>`;
}

function settingsIn(policy: JsonObject): string {
  return Object.entries(policy)
    .map(([name, value]) => `${name} = ${stringifyExact(value)}`)
    .join(', ');
}

function call(request: EarlierRequest): Html {
  const { method, url, ifMatch, ifNoneExist, at } = request;
  const address = url === '' ? FHIR_PATH : `${FHIR_PATH}/${url}`;
  const lines = [
    `${method} ${address}`,
    ...(ifMatch === undefined ? [] : [`If-Match: ${ifMatch}`]),
    ...(ifNoneExist === undefined ? [] : [`If-None-Exist: ${ifNoneExist}`]),
  ];
  const content = 'text' in request ? request.text : prettyJson(request.body, COLUMNS);
  return html`${at !== undefined && html`<p>At ${at}:</p>`}
    <pre>
${lines.join('\n')}

${content}</pre>`;
}

function json(tree: JsonValue): Html {
  return html`<pre>${prettyJson(tree, COLUMNS)}</pre>`;
}
