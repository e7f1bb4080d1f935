/** `/review/readings/{id}`: one reading, and what somebody decides of it. */
import { undoState, type UndoState } from '../../ingest/undo.ts';
import { html } from '../../review/html.ts';
import type { FilledDecision } from '../../review/decisions.ts';
import { notice } from '../../review/page.ts';
import { readingView } from '../../review/reading.ts';
import { clockTime } from '../../review/words.ts';
import { TO_DECIDE } from '../auth/needs.ts';
import { toServiceError } from '../error-handler.ts';
import { idOf } from '../path-id.ts';
import { notesOf } from '../request-notes.ts';
import type { Handler, Request, Response } from '../serving.ts';
import { loadReading } from './load-reading.ts';
import { mayNot } from './may-not.ts';
import type { PageParts } from './page-parts.ts';
import { sendNotFound, sendPage } from './send-page.ts';
import { visitorOf } from './visitor.ts';

export function readingPage(parts: PageParts): Handler {
  return async (req, res) => {
    const said = new URL(req.originalUrl, 'http://page').searchParams.get('done');
    await showReading(parts, req, res, { ...(said !== null && Object.hasOwn(DONE, said) && { done: said as Done }) });
  };
}

/** What was done, said once above the page that shows it; and whether the reading waits after it. */
const DONE = {
  kept: { says: 'Kept. It goes into the chart.', waits: false },
  corrected: { says: 'Corrected. It goes into the chart with the right value.', waits: false },
  moved: { says: 'Moved to the other person, where it is judged like any reading.', waits: false },
  discarded: { says: 'Discarded. It is entered in error and counts for nothing.', waits: false },
  asked: { says: 'A second weighing was asked for. This reading goes on waiting.', waits: true },
  claimed: { says: 'Stored for this person, and judged.', waits: undefined },
  undone: { says: 'Taken back. It waits as before.', waits: true },
} as const;

export type Done = keyof typeof DONE;

export interface Showing {
  readonly status?: number;
  readonly done?: Done;
  readonly problem?: string;
  readonly filled?: FilledDecision;
}

/** The page of a reading as it is now, with what is to be said above it. */
export async function showReading(
  parts: PageParts,
  req: Request,
  res: Response,
  { status, done, problem, filled }: Showing,
): Promise<void> {
  const { caller, concerned } = notesOf(res);
  const refusal = mayNot(res, TO_DECIDE);
  const around = parts.surroundings();
  const undo = await undoState(around.read, parts.serving.store.outbox, idOf(req), around.nowMs);
  const reading = await loadReading(idOf(req), around, {
    formToken: visitorOf(res).formToken,
    asksWho: caller.person === undefined,
    ...(refusal && { whyNot: 'Only those with the role of a reviewer decide. Ask one to look at this page.' }),
    ...(undo?.kind === 'open' && { undoUntil: clockTime(endOf(undo), around.zone) }),
    ...(filled && { filled }),
  });
  if (reading === undefined) {
    sendNotFound(res);
    return;
  }
  if (!reading.isUnassigned) concerned.push(reading.person.key);
  const said = done && DONE[done];
  // an address that somebody kept says nothing that is no longer so
  const isSo = said?.waits === undefined || said.waits === reading.standing.isHeld;
  const content = html`${said && isSo && notice('done', said.says)}${problem !== undefined && notice('problem', problem)}
    <p class="back"><a href="/review">All that wait</a></p>
    ${readingView(reading)}`;
  sendPage(res, { title: `One ${reading.of}`, section: '/review', content, ...(status !== undefined && { status }) });
}

/** Until its time is over, or a worker may take it to the EHR. */
function endOf({ until, sentFrom }: Extract<UndoState, { kind: 'open' }>): number {
  return Math.min(Date.parse(until), ...(sentFrom === undefined ? [] : [Date.parse(sentFrom)]));
}

/** What a form is answered when it could not be carried out; anything else goes on as the fault it is. */
export function problemIn(error: unknown): { readonly status: number; readonly problem: string } {
  const known = toServiceError(error);
  if (known === undefined || known.code === 'ERR_INTERNAL') throw error;
  return { status: known.row.status, problem: known.message };
}
