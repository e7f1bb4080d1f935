/** Sends a page to whoever was let in, once what has to be recorded of it is recorded. */
import { html, type Html } from '../../review/html.ts';
import type { SECTIONS } from '../../review/page.ts';
import { notice, page } from '../../review/page.ts';
import { sendOnceRecorded } from '../answer.ts';
import type { Response } from '../serving.ts';
import { IDLE_MS } from '../sign-in/session-limits.ts';
import { visitorOf } from './visitor.ts';

export interface PageAnswer {
  /** 200 when absent. */
  readonly status?: number;
  /** Of the kind of page: no patient data. */
  readonly title: string;
  readonly section?: (typeof SECTIONS)[number]['path'];
  readonly content: Html;
  /** How many readings wait, where the page knows. */
  readonly waiting?: number;
}

/** Somebody walked away with the page open. */
const IDLE_MINUTES = IDLE_MS / 60_000;

export function sendPage(res: Response, { status = 200, title, section, content, waiting }: PageAnswer): void {
  const { name, formToken, isOpen } = visitorOf(res);
  const text = page(
    {
      title,
      formToken,
      isOpen,
      ...(section !== undefined && { section }),
      ...(name !== undefined && { name }),
      ...(waiting !== undefined && { waiting }),
      ...(!isOpen && { idleMinutes: IDLE_MINUTES }),
    },
    content,
  );
  sendOnceRecorded(res, { status }, () => {
    res.status(status).set('Cache-Control', 'no-store').type('text/html').end(text);
  });
}

/** Of what is not there, or no longer. */
export function sendNotFound(res: Response, what = 'There is no such reading here.'): void {
  const content = html`${notice('problem', `${what} It may have been removed, or the address is not whole.`)}
    <p><a href="/review">Readings that wait</a></p>`;
  sendPage(res, { status: 404, title: 'Not found', content });
}

/** To the page that shows what was done, so that a reload does nothing twice (RFC 9110, section 15.4.4). */
export function goTo(res: Response, path: string): void {
  sendOnceRecorded(res, { status: 303 }, () => {
    res.status(303).set({ Location: path, 'Cache-Control': 'no-store' }).end();
  });
}
