/** `/review/scales`: scales and chairs; taking a scale out of use, and recalling what it measured. */
import type * as fhir4 from 'fhir/r4.js';
import { parseDateTime } from '../../core/fhir-time.ts';
import type { Exact, JsonObject } from '../../core/json.ts';
import { treeOf } from '../../ingest/stored-tree.ts';
import { html } from '../../review/html.ts';
import { notice } from '../../review/page.ts';
import { recallConfirmView, scalesView, scaleView, type ScalePage } from '../../review/scales.ts';
import { amount, measuredAt, moment } from '../../review/words.ts';
import { needOfOperation } from '../auth/needs.ts';
import { idOf } from '../path-id.ts';
import { callOf, notesOf } from '../request-notes.ts';
import type { Handler, Request, Response } from '../serving.ts';
import { loadScale, loadScales, readingsOfScale, type ScalesSurroundings } from './load-scales.ts';
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
  concerned.push(...new Set(readings.map(({ person }) => person)));
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

/** Out of use, or back: `Device.status`, with who and why as an annotation of the Device. */
export function useScale(parts: PageParts): Handler {
  return async (req, res) => {
    const [form, id] = [formOf(req), idOf(req)];
    const again = (status: number, problem: string) => showScale(parts, req, res, { status, problem });
    const { caller } = notesOf(res);
    const refusal = mayNot(res, TO_RECALL);
    if (refusal) return again(refusal.row.status, refusal.message);
    const [reason, use] = [form.get('reason')?.trim() ?? '', form.get('use')];
    if (reason === '') return again(422, 'Say why: the reason is kept with the scale.');
    if (use !== 'out' && use !== 'in') return again(400, 'Choose what is to be done.');
    const { read, nowMs } = around(parts);
    const stored = await read.current('Device', id);
    if (stored === undefined) {
      sendNotFound(res, 'There is no such scale here.');
      return;
    }
    const device = treeOf(stored);
    const text = `${use === 'out' ? 'Taken out of use' : 'Put back in use'}: ${reason}`;
    const who = caller.person === undefined ? { authorString: form.get('who')?.trim() || 'not named' } : { authorReference: caller.person };
    const notes = Array.isArray(device['note']) ? device['note'] : [];
    const changed: JsonObject = {
      ...device,
      status: use === 'out' ? 'inactive' : 'active',
      note: [...notes, { ...who, time: new Date(nowMs).toISOString(), text } as unknown as JsonObject],
    };
    try {
      await parts.serving.intake(callOf(res)).putRegistry('Device', id, changed, Number(form.get('version')));
      goTo(res, `/review/scales/${id}?done=${use}`);
    } catch (error) {
      const { status, problem } = problemIn(error);
      return again(status, status === 412 ? 'Somebody changed this scale while you looked at it. Nothing of yours was stored.' : problem);
    }
  };
}

/** First how many readings that is, then, once that was looked at, the recall. */
export function recallByForm(parts: PageParts): Handler {
  return async (req, res) => {
    const [form, id] = [formOf(req), idOf(req)];
    const again = (status: number, problem: string) => showScale(parts, req, res, { status, problem });
    const { caller } = notesOf(res);
    const refusal = mayNot(res, TO_RECALL);
    if (refusal) return again(refusal.row.status, refusal.message);
    const since = parseDateTime(form.get('since') ?? '');
    const [action, reason, who] = [form.get('action'), form.get('reason')?.trim() ?? '', form.get('who')?.trim() ?? ''];
    if (since === undefined) return again(422, 'Say since which day: 2026-03-01.');
    if (action !== 'flagged' && action !== 'entered-in-error') return again(422, 'Choose what is to become of the readings.');
    if (reason === '') return again(422, 'Say why: the reason is kept with each reading.');
    if (caller.person === undefined && who === '') return again(422, 'Say who you are: it is kept with each reading.');
    const intake = parts.serving.intake(callOf(res));
    try {
      if (form.get('confirmed') === 'yes') {
        await intake.recall(id, { since, action, reason, who: caller.person ?? { display: who } });
        goTo(res, `/review/scales/${id}?done=recalled`);
        return;
      }
      const { total } = await intake.affected(id, since, { count: 1 });
      const { name } = await around(parts).directory.device(`Device/${id}`);
      const asked = {
        id,
        formToken: visitorOf(res).formToken,
        asksWho: caller.person === undefined,
        name,
        since: since.text,
        action,
        reason,
        who,
        readings: total,
      };
      sendPage(res, {
        ...SECTION,
        title: 'Recall this scale?',
        content: recallConfirmView(asked as Parameters<typeof recallConfirmView>[0]),
      });
    } catch (error) {
      const { status, problem } = problemIn(error);
      return again(status, problem);
    }
  };
}
