/**
 * `$export` in the asynchronous way of the HL7 guide "Bulk Data Access" 2.0.0: kick-off, status,
 * files, deletion. Nothing runs in the background: whoever asks for the status has a bounded piece
 * counted, and a file is read from the store while it is sent, as fast as the caller takes it.
 */
import { randomUUID } from 'node:crypto';
import { ServiceError } from '../errors.ts';
import type { ExportJob, ExportLimits, ExportPage } from '../ports.ts';
import { sendFhir } from './answer.ts';
import { preferencesOf } from './negotiation.ts';
import { idOf, notFound } from './path-id.ts';
import { callOf, notesOf } from './request-notes.ts';
import { parseQuery, queryOf, writeQuery, type QueryParameter } from './search/query.ts';
import { badParameter, unservedParameter } from './search/refusals.ts';
import { alternatives, searchDate } from './search/values.ts';
import type { Handler, Request, Response, Serving } from './serving.ts';

export const NDJSON = 'application/fhir+ndjson';
/** What `_outputFormat` may be; a plus sign that was not percent-encoded arrives as a blank. */
const OUTPUT_FORMATS = new Set([NDJSON, 'application/fhir ndjson', 'application/ndjson', 'ndjson']);

/** How long a job can be asked about (common practice, no source: a day). */
const JOB_LASTS_MS = 86_400_000;
/** A job is a row and costs little; it is the fetching that does. Common practice, no source. */
const LIMITS: ExportLimits = { mostPerClient: 5, most: 50 };
/** Files that are sent at one time by this process. */
const MOST_FILES_AT_ONCE = 4;
/** Counting goes on for so long while the caller waits for the status. */
const COUNTING_MS = 100;
const LINES_A_PAGE = 500;

export function beginExport({ store, clock, baseUrl }: Serving): Handler {
  return async (req, res) => {
    // express has HEAD answered as GET, and a HEAD must change nothing
    if (req.method === 'HEAD') throw new ServiceError('ERR_METHOD', 'An export is begun with GET.');
    const { respondAsync, lenient } = preferencesOf(req);
    if (!respondAsync)
      throw new ServiceError('ERR_BAD_REQUEST', 'An export is answered later. Send Prefer: respond-async.', { expression: 'http.prefer' });
    const { since, used } = exportQuery(parseQuery(queryOf(req.originalUrl)), lenient);
    const createdMs = clock.nowMs();
    await store.exports.removeExpired(createdMs);
    const request = used.length === 0 ? `${baseUrl}/$export` : `${baseUrl}/$export?${writeQuery(used)}`;
    const job = await store.exports.begin(
      { id: randomUUID(), request, createdMs, expiresMs: createdMs + JOB_LASTS_MS, ...(since !== undefined && { since }) },
      LIMITS,
      callOf(res),
    );
    if (job === undefined)
      throw new ServiceError('ERR_TOO_MANY', 'There are too many exports. DELETE those that are done with at their Content-Location.');
    res.set('Content-Location', `${baseUrl}/$export/${job.id}`);
    sendFhir(res, { status: 202 });
  };
}

/** @throws ServiceError ERR_NOT_SUPPORTED, ERR_BAD_VALUE */
function exportQuery(parameters: readonly QueryParameter[], lenient: boolean): { since?: string; used: QueryParameter[] } {
  const used: QueryParameter[] = [];
  let since: string | undefined;
  for (const { name, value } of parameters) {
    if (name === '_outputFormat') {
      if (!OUTPUT_FORMATS.has(value)) throw badParameter(name, `must be ${NDJSON}.`);
    } else if (name === '_type') {
      if (alternatives(name, value).some((type) => type !== 'Observation') && !lenient)
        throw unservedParameter(name, 'may name Observation only: nothing else is exported.');
    } else if (name === '_since') {
      if (!/^\d{4}-\d{2}-\d{2}T/.test(value)) throw badParameter(name, 'must be an instant such as 2026-03-01T08:00:00Z.');
      since = searchDate(name, value).start;
    } else if (name === '_format' || lenient) {
      continue;
    } else throw unservedParameter(name, 'is not served for $export. Leave it out, or send Prefer: handling=lenient.');
    if (used.some((one) => one.name === name)) throw unservedParameter(name, 'may be given once.');
    used.push({ name, value });
  }
  return { used, ...(since !== undefined && { since }) };
}

/** A job of somebody else is none. */
async function jobOf(req: Request, res: Response, { store, clock }: Serving): Promise<ExportJob> {
  const job = await store.exports.find(idOf(req), clock.nowMs());
  if (job === undefined || job.client !== notesOf(res).caller.client) throw notFound();
  return job;
}

export function statusOfExport(serving: Serving): Handler {
  const { store, auth, baseUrl } = serving;
  return async (req, res) => {
    let job = await jobOf(req, res, serving);
    const startedAt = performance.now();
    while (job.progress < 1 && performance.now() - startedAt < COUNTING_MS) {
      await store.exports.advance(job.id);
      job = await jobOf(req, res, serving);
    }
    res.set('Expires', new Date(job.expiresMs).toUTCString());
    if (job.progress < 1) {
      res.set('X-Progress', `${Math.floor(job.progress * 100)} % of the store counted`);
      res.set('Retry-After', '1');
      sendFhir(res, { status: 202 });
      return;
    }
    const output = job.counts.flatMap((count, part) =>
      count === 0 ? [] : [{ type: 'Observation', url: `${baseUrl}/$export/${job.id}/${part}`, count }],
    );
    const manifest = {
      transactionTime: job.transactionTime,
      request: job.request,
      requiresAccessToken: auth.tokens !== undefined,
      output,
      error: [],
    };
    sendFhir(res, { status: 200, text: JSON.stringify(manifest), contentType: 'application/json' });
  };
}

export function deleteExport(serving: Serving): Handler {
  return async (req, res) => {
    const { id } = await jobOf(req, res, serving);
    await serving.store.exports.remove(id, serving.clock.nowMs(), callOf(res));
    sendFhir(res, { status: 202 });
  };
}

/** One file: read, recorded and sent page by page, so that neither memory nor another caller feels its size. */
export function readExportFile(serving: Serving): Handler {
  const { store } = serving;
  let underWay = 0;
  return async (req, res) => {
    const job = await jobOf(req, res, serving);
    const part = Number(/^\d{1,9}$/.exec(String(req.params['part']))?.[0] ?? -1);
    if (job.progress < 1 || (job.counts[part] ?? 0) === 0) throw notFound();
    if (underWay >= MOST_FILES_AT_ONCE)
      throw new ServiceError('ERR_BUSY', 'Enough files are being sent just now. Fetch one after the other, and this one again.');
    underWay += 1;
    try {
      const pageAt = async (from?: number): Promise<ExportPage> => {
        const page = await store.exports.page(job, part, LINES_A_PAGE, from);
        // deleted meanwhile: behind the first page the answer is cut off, which says that it is not whole
        if (page === undefined) throw notFound();
        await recordPage(serving, res, job, part, page);
        return page;
      };
      // what cannot be recorded is not shown, and the first page is while there is still a status to say so
      const first = await pageAt();
      res.status(200).set({ 'Content-Type': NDJSON, Expires: new Date(job.expiresMs).toUTCString() });
      if (req.method === 'HEAD') res.end();
      else await sendLines(res, first, pageAt);
    } finally {
      underWay -= 1;
    }
  };
}

async function sendLines(res: Response, first: ExportPage, pageAt: (from: number) => Promise<ExportPage>): Promise<void> {
  for (let page = first; ; page = await pageAt(page.next)) {
    const isTaken = res.write(page.resources.map(({ text }) => `${text}\n`).join(''));
    if (page.next === undefined) break;
    if (!isTaken) await roomIn(res);
    // the caller went away, or took longer than an answer may last
    if (res.destroyed) return;
  }
  res.end();
}

/** Resolves when the caller has taken what was written, or is gone. */
function roomIn(res: Response): Promise<void> {
  return new Promise((resolve) => {
    const done = (): void => {
      res.off('drain', done);
      res.off('close', done);
      resolve();
    };
    res.on('drain', done);
    res.on('close', done);
    if (res.destroyed) done();
  });
}

/** Whose readings are about to leave: a page of a file, as a page of a search is recorded. */
async function recordPage(
  { audit }: Serving,
  res: Response,
  { id }: ExportJob,
  part: number,
  { resources, persons }: ExportPage,
): Promise<void> {
  const { caller, requestId } = notesOf(res);
  await audit.record({
    interaction: 'operation',
    event: 'export',
    outcome: 'success',
    caller,
    requestId,
    persons,
    details: [
      ['job', id],
      ['part', String(part)],
      ['from', resources[0]?.lastUpdated ?? 'nothing'],
      ['observations', String(resources.length)],
    ],
  });
}
