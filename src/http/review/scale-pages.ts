/** `/review/scales`: scales and chairs; taking a scale out of use, and recalling what it measured. */
import type * as fhir4 from 'fhir/r4.js';
import { parseDateTime, toInstant } from '../../core/fhir-time.ts';
import type { Exact, JsonObject } from '../../core/json.ts';
import { isUnassigned } from '../../core/unassigned.ts';
import type { Intake } from '../../ingest.ts';
import { LONGEST_NAME, LONGEST_REASON } from '../../ingest/parameters.ts';
import { treeOf } from '../../ingest/stored-tree.ts';
import { html } from '../../review/html.ts';
import { notice } from '../../review/page.ts';
import { recallConfirmView, scalesView, scaleView, type RecallConfirm, type ScalePage } from '../../review/scales.ts';
import { amount, measuredAt, moment } from '../../review/words.ts';
import { needOfOperation } from '../auth/needs.ts';
import { idOf } from '../path-id.ts';
import { callOf, notesOf } from '../request-notes.ts';
import type { Handler, Request, Response } from '../serving.ts';
import { loadScale, loadScales, readingsOfScale, type ScalesSurroundings } from './load-scales.ts';
import { issuesOf } from './decide-form.ts';
import { textOf, versionIn } from './form-fields.ts';
import { mayNot } from './may-not.ts';
import type { PageParts } from './page-parts.ts';
import { problemIn } from './reading-page.ts';
import { nameOf } from './reasons.ts';
import { goTo, sendNotFound, sendPage } from './send-page.ts';
import { standingWord } from './standing.ts';
import { formOf, visitorOf } from './visitor.ts';

const TO_RECALL = needOfOperation({ name: 'recall' });
const SECTION = { title: 'Scales and chairs', section: '/review/scales' } as const;
const RECENT = 10;

export function scalesPage(parts: PageParts): Handler {
  return async (_req, res) => sendPage(res, { ...SECTION, content: scalesView(await loadScales(around(parts))) });
}

export function scalePage(parts: PageParts): Handler {
  return async (req, res) => {
    const said = new URL(req.originalUrl, 'http://page').searchParams.get('done');
    await showScale(parts, req, res, said !== null && Object.hasOwn(DONE, said) ? { done: DONE[said as keyof typeof DONE] } : {});
  };
}

const DONE = {
  out: 'Taken out of use. From now on its readings are held.',
  in: 'Back in use. Readings that wait go on waiting: decide on each.',
  recalled: 'Recalled. Its readings since then are marked, with everything that was derived from them.',
} as const;

function around({ serving, surroundings }: PageParts): ScalesSurroundings {
  return { ...surroundings(), knownBases: [serving.baseUrl] };
}

interface Showing {
  readonly status?: number;
  readonly done?: string;
  readonly problem?: string;
}

async function showScale(parts: PageParts, req: Request, res: Response, { status, done, problem }: Showing): Promise<void> {
  const surroundings = around(parts);
  const stored = await surroundings.read.current('Device', idOf(req));
  if (stored === undefined) {
    sendNotFound(res, 'There is no such scale here.');
    return;
  }
  const readings = await readingsOfScale(stored, RECENT, surroundings);
  const { caller, concerned } = notesOf(res);
  concerned.push(...new Set(readings.flatMap(({ person }) => (isUnassigned(person) ? [] : [person]))));
  const { note = [] } = treeOf(stored) as unknown as Exact<fhir4.Device>;
  const refusal = mayNot(res, TO_RECALL);
  const recent: ScalePage['recent'] = await Promise.all(
    readings.map(async (reading) => ({
      id: reading.id,
      when: measuredAt(reading.effective, surroundings.zone),
      amount: reading.quantity ? amount(reading.quantity) : 'no value',
      person: (await surroundings.directory.person(reading.person)).name,
      standing: standingWord(reading),
    })),
  );
  const view = scaleView({
    ...(await loadScale(stored, surroundings)),
    version: stored.version,
    formToken: visitorOf(res).formToken,
    asksWho: caller.person === undefined,
    recent,
    notes: note.map(({ text, time, authorString, authorReference }) => {
      const who = authorString ?? (authorReference && nameOf(authorReference as fhir4.Reference));
      return [time === undefined ? undefined : moment(Date.parse(time), surroundings.zone), who, text]
        .filter((part) => part !== undefined)
        .join(': ');
    }),
    ...(refusal && { whyNot: 'Only those with the role of a reviewer or an engineer may do this.' }),
  });
  const content = html`${done !== undefined && notice('done', done)}${problem !== undefined && notice('problem', problem)}${view}`;
  sendPage(res, { ...SECTION, title: 'One scale', content, ...(status !== undefined && { status }) });
}

interface ScaleForm {
  readonly form: URLSearchParams;
  readonly id: string;
  readonly reason: string;
  /** Who is signed in, or the name that the form gives. */
  readonly who: fhir4.Reference;
  readonly intake: Intake;
}

/**
 * What both forms of a scale have in common: who may send them, that they say why and by whom, and how
 * a problem is told. What `act` resolves to is one; nothing once it has answered.
 */
function onScale(parts: PageParts, act: (asked: ScaleForm, res: Response) => Promise<Problem | undefined>): Handler {
  return async (req, res) => {
    const problem = await attempt(parts, req, res, act);
    if (problem) await showScale(parts, req, res, problem);
  };
}

interface Problem {
  readonly status: number;
  readonly problem: string;
}

async function attempt(parts: PageParts, req: Request, res: Response, act: Parameters<typeof onScale>[1]): Promise<Problem | undefined> {
  const refusal = mayNot(res, TO_RECALL);
  if (refusal) return { status: refusal.row.status, problem: refusal.message };
  const { person } = notesOf(res).caller;
  const form = formOf(req);
  const [reason, name] = [textOf(form, 'reason'), textOf(form, 'who')];
  if (reason === '') return { status: 422, problem: 'Say why: the reason is kept.' };
  if (reason.length > LONGEST_REASON) return { status: 422, problem: `Say it in at most ${LONGEST_REASON} characters.` };
  if (person === undefined && (name === '' || name.length > LONGEST_NAME))
    return { status: 422, problem: `Say who you are, in at most ${LONGEST_NAME} characters: it is kept with the reason.` };
  try {
    return await act({ form, id: idOf(req), reason, who: person ?? { display: name }, intake: parts.serving.intake(callOf(res)) }, res);
  } catch (error) {
    return problemIn(error);
  }
}

const CHANGED: Problem = { status: 412, problem: 'Somebody changed this scale while you looked at it. Nothing of yours was stored.' };

/** Out of use, or back: `Device.status`, with who and why as an annotation of the Device. */
export function useScale(parts: PageParts): Handler {
  return onScale(parts, async ({ form, id, reason, who, intake }, res) => {
    const use = form.get('use');
    if (use !== 'out' && use !== 'in') return { status: 400, problem: 'Choose what is to be done.' };
    const { read, nowMs } = around(parts);
    const stored = await read.current('Device', id);
    // what is written builds on what was looked at
    if (stored?.version !== versionIn(form)) return CHANGED;
    const device = treeOf(stored);
    const text = `${use === 'out' ? 'Taken out of use' : 'Put back in use'}: ${reason}`;
    const { display, ...named } = who;
    const author = Object.keys(named).length === 0 ? { authorString: display ?? '' } : { authorReference: who };
    const note = { ...author, time: toInstant(nowMs), text } as unknown as JsonObject;
    const notes = Array.isArray(device['note']) ? device['note'] : [];
    const changed = { ...device, status: use === 'out' ? 'inactive' : 'active', note: [...notes, note] };
    const answer = await intake.putRegistry('Device', id, changed, stored.version);
    if (answer.resource === undefined) return { status: answer.status, problem: issuesOf(answer) };
    goTo(res, `/review/scales/${id}?done=${use}`);
    return undefined;
  });
}

/** First how many readings that is, then, once that was looked at, the recall. */
export function recallByForm(parts: PageParts): Handler {
  return onScale(parts, async ({ form, id, reason, who, intake }, res) => {
    const since = parseDateTime(form.get('since') ?? '');
    const action = form.get('action');
    if (since === undefined) return { status: 422, problem: 'Say since which day: 2026-03-01.' };
    if (action !== 'flagged' && action !== 'entered-in-error') return { status: 422, problem: 'Choose what is to become of the readings.' };
    if (form.get('confirmed') === 'yes') {
      await intake.recall(id, { since, action, reason, who });
      goTo(res, `/review/scales/${id}?done=recalled`);
      return undefined;
    }
    const { total: readings } = await intake.affected(id, since, { count: 1 });
    const { name } = await around(parts).directory.device(`Device/${id}`);
    const asksWho = notesOf(res).caller.person === undefined;
    const { formToken } = visitorOf(res);
    const asked: RecallConfirm = { id, formToken, asksWho, name, since: since.text, action, reason, readings, who: textOf(form, 'who') };
    sendPage(res, { ...SECTION, title: 'Recall this scale?', content: recallConfirmView(asked) });
    return undefined;
  });
}
