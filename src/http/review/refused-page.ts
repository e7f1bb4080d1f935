/** `/review/refused`: what was refused, for whoever mends the sender. */
import type * as fhir4 from 'fhir/r4.js';
import { isJsonObject, parseExactJson, type Exact, type JsonValue } from '../../core/json.ts';
import { subjectsOf } from '../../ingest/audit.ts';
import type { Refusal } from '../../ports.ts';
import { refusedView, type RefusedFinding, type RefusedReading } from '../../review/refused.ts';
import { moment, type Zone } from '../../review/words.ts';
import { notesOf } from '../request-notes.ts';
import type { Handler } from '../serving.ts';
import { issueInWords } from './issue-words.ts';
import type { PageParts } from './page-parts.ts';
import { sendPage } from './send-page.ts';

/** Each may be a Bundle of megabytes, which is read whole. */
const A_PAGE = 10;
/** A refused Bundle may have megabytes; nobody reads them on a page. */
const LONGEST_SHOWN = 20_000;

export function refusedPage({ serving, surroundings }: PageParts): Handler {
  return async (req, res) => {
    const { read, zone } = surroundings();
    const before = new URL(req.originalUrl, 'http://page').searchParams.get('before');
    const refusals = await read.refusals(A_PAGE + 1, ...(before === null ? [] : [before]));
    const shown = refusals.slice(0, A_PAGE).map((refusal) => ({ refusal, sent: parseExactJson(refusal.text) }));
    notesOf(res).concerned.push(...shown.flatMap(({ sent }) => (sent.ok ? subjectsOf(sent.value, [serving.baseUrl]) : [])));
    const last = shown.at(-1)?.refusal;
    const content = refusedView({
      shown: shown.map(({ refusal, sent }) => ({ ...inWords(refusal, zone), ...(sent.ok && saysOfItself(sent.value)) })),
      ...(refusals.length > A_PAGE && last && { next: `/review/refused?before=${encodeURIComponent(last.id)}` }),
    });
    sendPage(res, { title: 'Refused readings', section: '/review/refused', content });
  };
}

function inWords({ id, receivedAt, text, outcome, client }: Refusal, zone: Zone): RefusedReading {
  const parsed = parseExactJson(outcome);
  const { issue = [] } = (parsed.ok ? parsed.value : {}) as unknown as Partial<fhir4.OperationOutcome>;
  return {
    id,
    received: moment(Date.parse(receivedAt), zone),
    findings: issue.filter(({ severity }) => severity === 'error' || severity === 'fatal').map(toFinding),
    raw: text.slice(0, LONGEST_SHOWN),
    isCut: text.length > LONGEST_SHOWN,
    ...(client !== undefined && { gateway: client }),
  };
}

function toFinding(issue: fhir4.OperationOutcomeIssue): RefusedFinding {
  const { expression = 'the whole', ...words } = issueInWords(issue);
  return { ...words, place: expression };
}

/** What can be read of something that may be no Observation at all. */
function saysOfItself(sent: JsonValue): Pick<RefusedReading, 'device' | 'identifier'> {
  if (!isJsonObject(sent)) return {};
  const { device, identifier } = sent as unknown as Partial<Exact<fhir4.Observation>>;
  const shown = device?.reference ?? device?.identifier?.value ?? device?.display;
  const own = Array.isArray(identifier) ? identifier[0]?.value : undefined;
  return { ...(typeof shown === 'string' && { device: shown }), ...(typeof own === 'string' && { identifier: own }) };
}
