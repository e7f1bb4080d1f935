/** `/try`: what would come of an Observation or a Bundle, shown at its place in the text. */
import { jsonFinding } from '../../core/conform.ts';
import { toOperationOutcome } from '../../core/finding.ts';
import { isJsonObject, parseExactJson, type JsonObject, type JsonProblem, type JsonValue } from '../../core/json.ts';
import { placesIn, type Place } from '../../core/place-in-text.ts';
import { prettyJson } from '../../core/pretty-json.ts';
import { ServiceError, toServiceOutcome } from '../../errors.ts';
import type { Rehearsal, RehearsedPart } from '../../ingest.ts';
import { subjectsOf } from '../../ingest/audit.ts';
import { exampleToTry } from '../../review/try-example.ts';
import { TRIED_FIELD, tryView, type Tried, type TriedFinding } from '../../review/try.ts';
import { callOf, notesOf } from '../request-notes.ts';
import { parseQuery, queryOf } from '../search/query.ts';
import type { Handler, Serving } from '../serving.ts';
import { issueInWords } from './issue-words.ts';
import { sendPage } from './send-page.ts';
import { formOf, takeLargeForm, visitorOf } from './visitor.ts';

export const takeTried = takeLargeForm;

/** Others wait for the store as long as a Bundle is rehearsed, and nobody reads more on a page. */
const MOST_ENTRIES = 100;
/** What has a longer line is laid out anew. */
const LONGEST_LINE = 400;
const COLUMNS = 100;

const PAGE = { title: 'Try a reading or a Bundle', section: '/try' } as const;

export function tryPage({ clock }: Pick<Serving, 'clock'>): Handler {
  return (req, res) => {
    const wantsExample = parseQuery(queryOf(req.originalUrl)).some(({ name }) => name === 'example');
    const pasted = wantsExample ? exampleToTry(clock.nowMs()) : '';
    sendPage(res, { ...PAGE, content: tryView({ formToken: visitorOf(res).formToken, pasted }) });
  };
}

export function tryByForm(serving: Serving): Handler {
  return async (req, res) => {
    const { formToken } = visitorOf(res);
    const pasted = formOf(req).get(TRIED_FIELD) ?? '';
    if (pasted.trim() === '') {
      const problem = 'There was nothing in the field. Paste an Observation or a Bundle, then try again.';
      sendPage(res, { ...PAGE, status: 400, content: tryView({ formToken, pasted, problem }) });
      return;
    }
    const parsed = parseExactJson(pasted);
    const policy = serving.policy.current.version;
    if (!parsed.ok) {
      sendPage(res, { ...PAGE, content: tryView({ formToken, pasted, tried: unreadable(pasted, parsed.problem, policy) }) });
      return;
    }
    notesOf(res).concerned.push(...subjectsOf(parsed.value, [serving.baseUrl]));
    const rehearsal = await rehearsed(parsed.value, (value) => serving.intake(callOf(res)).rehearse(value, pasted));
    for (const { status } of rehearsal.parts) notesOf(res).verdicts.push(`dry-run-${status}`);
    sendPage(res, { ...PAGE, content: tryView({ formToken, pasted, tried: toTried(pasted, parsed.value, rehearsal, policy) }) });
  };
}

/** An error that the real call would be answered with is what comes of it; one of this service just now is not. */
async function rehearsed(value: JsonValue, rehearse: (value: JsonValue) => Promise<Rehearsal>): Promise<Rehearsal> {
  try {
    if (isJsonObject(value) && Array.isArray(value['entry']) && value['entry'].length > MOST_ENTRIES)
      throw new ServiceError('ERR_TOO_LARGE', `This page tries Bundles of at most ${MOST_ENTRIES} entries. Use steelyard check for more.`, {
        expression: 'Bundle.entry',
      });
    return await rehearse(value);
  } catch (error) {
    if (!(error instanceof ServiceError) || error.row.status >= 500) throw error;
    const { status } = error.row;
    return { status, parts: [{ root: rootOf(value), status, outcome: toServiceOutcome(error), derived: [] }] };
  }
}

function rootOf(value: JsonValue): string {
  return isJsonObject(value) && value['resourceType'] === 'Bundle' ? 'Bundle' : 'Observation';
}

function unreadable(text: string, problem: JsonProblem, policy: string): Tried {
  const { line, column } = problem;
  const at = { line, column, endLine: line, endColumn: column + 1 };
  const { issue } = toOperationOutcome([jsonFinding(problem)]);
  const findings = issue.map((one) => ({ expression: 'the text', ...issueInWords(one), at }));
  return { text, isLaidOut: false, policy, parts: [{ root: 'The text', status: 400, findings, derived: [] }] };
}

function toTried(pasted: string, value: JsonValue, { parts }: Rehearsal, policy: string): Tried {
  const isLaidOut = pasted.split(/[\r\n]/).some((line) => line.length > LONGEST_LINE);
  const text = isLaidOut ? prettyJson(value, COLUMNS) : pasted;
  const placeOf = placesIn(text);
  return { text, isLaidOut, policy, parts: parts.map((part) => ({ ...inWords(part, placeOf), ...sentAt(value, part.root) })) };
}

function inWords({ outcome, ...part }: RehearsedPart, placeOf: (expression: string) => Place) {
  const findings = outcome.issue.map((issue): TriedFinding => {
    const words = issueInWords(issue);
    const expression = words.expression ?? part.root;
    // what is said of the request is about all of it
    return { ...words, expression, at: placeOf(expression.startsWith('http.') ? part.root : expression) };
  });
  return { ...part, findings };
}

function sentAt(value: JsonValue, root: string): { readonly sent?: JsonObject } {
  const [, index] = /^Bundle\.entry\[(\d+)\]/.exec(root) ?? [];
  if (index === undefined) return isJsonObject(value) ? { sent: value } : {};
  const entries = isJsonObject(value) ? value['entry'] : undefined;
  const entry = Array.isArray(entries) ? entries[Number(index)] : undefined;
  const resource = isJsonObject(entry) ? entry['resource'] : undefined;
  return isJsonObject(resource) ? { sent: resource } : {};
}
