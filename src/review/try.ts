/** Trying a resource: what was pasted, what came of it and where, what would be stored and derived. */
import { stringifyExact, type JsonObject } from '../core/json.ts';
import type { Place } from '../core/place-in-text.ts';
import { prettyJson } from '../core/pretty-json.ts';
import { html, type Html } from './html.ts';
import { lineAnchor, markedText, type FindingOutcome } from './marked-text.ts';
import { hiddenToken, notice } from './page.ts';
import { plainUnits } from './words.ts';

/** Name of the field that holds the text. */
export const TRIED_FIELD = 'resource';

export interface TriedFinding {
  readonly rule: string;
  readonly title: string;
  readonly says: string;
  readonly outcome: FindingOutcome;
  /** FHIRPath from the root of what was tried. */
  readonly expression: string;
  readonly at: Pick<Place, 'line' | 'column' | 'endLine' | 'endColumn'>;
  readonly source?: string;
}

export interface TriedPart {
  /** `Bundle.entry[3].resource`, or the type of what stands alone. */
  readonly root: string;
  readonly status: number;
  readonly findings: readonly TriedFinding[];
  /** What was sent, as far as it can be read. */
  readonly sent?: JsonObject;
  readonly stored?: JsonObject;
  readonly derived: readonly JsonObject[];
}

export interface Tried {
  /** The text that places are counted in. */
  readonly text: string;
  /** It was laid out anew, since nobody reads a line of so many characters. */
  readonly isLaidOut: boolean;
  readonly parts: readonly TriedPart[];
  /** Id and version of the policy that it was judged under. */
  readonly policy: string;
}

export interface TryView {
  readonly formToken: string;
  /** What the field holds. */
  readonly pasted: string;
  /** Why nothing could be tried. */
  readonly problem?: string;
  readonly tried?: Tried;
}

const COLUMNS = 60;

export function tryView({ formToken, pasted, problem, tried }: TryView): Html {
  return html`<p>
      Paste one Observation, or a Bundle of type batch or transaction, as a gateway would send it. It is judged as if it came in now, by the
      policy in force and together with what is stored here of the same person. Nothing is stored, and nothing goes to the EHR.
    </p>
    <form method="post" action="/try#result">
      ${hiddenToken(formToken)}
      <label for="tried"
        >FHIR R4 as JSON
        <textarea
          id="tried"
          name="${TRIED_FIELD}"
          rows="14"
          spellcheck="false"
          autocomplete="off"
          autocapitalize="off"
          class="code"
          data-drop
          required
          aria-describedby="tried-help"
        >
${pasted}</textarea>
      </label>
      <p class="means" data-with-program hidden>
        <label
          >A file can be dropped on the field, or chosen here <input type="file" accept=".json,application/json" data-into="tried"
        /></label>
      </p>
      <p id="tried-help" class="means"><a href="/try?example">Put in an example</a>, about people who are invented.</p>
      <p><button>Try it</button></p>
    </form>
    ${problem !== undefined && html`<div id="result">${notice('problem', problem)}</div>`} ${tried && result(tried)}`;
}

function result({ text, isLaidOut, parts, policy }: Tried): Html {
  const findings = parts.flatMap((part) => part.findings);
  const told = findings
    .filter(({ rule }) => rule !== 'no-remarks')
    .map((one) => ({ ...one, title: `${one.title}. ${plainUnits(one.says)}` }));
  return html`<section id="result" aria-labelledby="result-title">
    <h2 id="result-title">What came of it</h2>
    ${notice(parts.some(({ status }) => status >= 400) ? 'problem' : 'done', `${tallyOf(parts)} Nothing was stored.`)}
    <p class="means">Judged under policy ${policy}.</p>
    <h3>In the text</h3>
    ${isLaidOut && html`<p class="means">It was laid out anew: lines and columns are counted in what is shown here.</p>`}
    ${markedText(text, told)} ${parts.map(partOf)}
  </section>`;
}

const WORDS = ['accepted', 'held', 'refused'] as const;

function wordOf(status: number): (typeof WORDS)[number] {
  if (status >= 400) return 'refused';
  return status === 202 ? 'held' : 'accepted';
}

/** `Of 3 entries there would be 1 accepted, 1 held, 1 refused.` */
function tallyOf(parts: readonly TriedPart[]): string {
  const [only, another] = parts;
  if (only !== undefined && another === undefined) return `It would be ${wordOf(only.status)}: HTTP ${only.status}.`;
  const counts = WORDS.flatMap((word) => {
    const count = parts.filter(({ status }) => wordOf(status) === word).length;
    return count === 0 ? [] : [`${count} ${word}`];
  });
  return parts.length === 0 ? 'The Bundle has no entry.' : `Of ${parts.length} entries there would be ${counts.join(', ')}.`;
}

/** Of several, only those open by themselves that something is derived from: the page would be too long to be read. */
function partOf({ root, status, findings, sent, stored, derived }: TriedPart, _at: number, all: readonly TriedPart[]): Html {
  const isOpen = all.length === 1 || derived.length > 0;
  const type = stored?.['resourceType'] ?? sent?.['resourceType'];
  const name = root.startsWith('Bundle.entry') && typeof type === 'string' ? `${root}: ${type}` : root;
  return html`<article class="tried">
    <h3><code>${name}</code> <span class="verdict ${wordOf(status)}">${wordOf(status)}, HTTP ${status}</span></h3>
    <ul>
      ${findings.map(findingOf)}
    </ul>
    ${stored && whatWouldBeThere(stored, sent, derived, isOpen)}
  </article>`;
}

function whatWouldBeThere(stored: JsonObject, sent: JsonObject | undefined, derived: readonly JsonObject[], isOpen: boolean): Html {
  return html`<details ${isOpen ? html`open` : html``}>
    <summary>What would be stored, and what is derived from it</summary>
    <div class="beside">
      <div>
        <h4>As it would be stored</h4>
        <p class="means">Marked is what was added or changed.</p>
        <pre>${storedText(stored, sent)}</pre>
      </div>
      <div>
        <h4>Derived from it</h4>
        ${derived.length === 0 && html`<p>Nothing.</p>`} ${derived.map((one) => html`<pre>${prettyJson(one, COLUMNS)}</pre>`)}
      </div>
    </div>
  </details>`;
}

function findingOf({ rule, title, says, outcome, expression, at, source }: TriedFinding): Html {
  if (rule === 'no-remarks') return html`<li>${says}</li>`;
  return html`<li class="${outcome}">
    <strong>${title}.</strong> ${plainUnits(says)}
    <span class="means"
      ><a href="#${lineAnchor(at.line)}">Line ${at.line}, column ${at.column}</a>, <code>${expression}</code>; by
      ${ruleOf(rule)}${source !== undefined && html`; source: ${source}`}</span
    >
  </li>`;
}

/** What the service says about a request rather than about a reading has no page. */
function ruleOf(rule: string): Html {
  return rule === '' || rule.startsWith('transport-') ? html`this service` : html`<a href="/rules/${rule}">${rule}</a>`;
}

/** A member of the resource begins a line of its own, two blanks deep. */
const MEMBER = /^ {2}"([^"\\]+)": /;

function storedText(stored: JsonObject, sent: JsonObject | undefined): readonly (Html | string)[] {
  let isChanged = false;
  return prettyJson(stored, COLUMNS)
    .split('\n')
    .flatMap((line) => {
      const member = MEMBER.exec(line)?.[1];
      if (member !== undefined) isChanged = !isSame(stored, sent, member);
      return isChanged && /^ {2}/.test(line) ? [html`<ins>${line}</ins>`, '\n'] : [line, '\n'];
    });
}

function isSame(stored: JsonObject, sent: JsonObject | undefined, member: string): boolean {
  const [now, before] = [stored[member], sent?.[member]];
  return now !== undefined && before !== undefined && stringifyExact(now) === stringifyExact(before);
}
