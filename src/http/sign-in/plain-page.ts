/** Pages of a few sentences: somebody is not let in, has signed out, or is led on. */
import { plainPage, type Onward } from '../../review/page.ts';
import { PAGE_POLICY } from '../review/page-policy.ts';
import type { Response } from '../serving.ts';

export type { Onward };

/** @param paragraphs plain texts, without names of people */
export function sendPlainPage(res: Response, status: number, title: string, paragraphs: readonly string[], onward?: Onward): void {
  res
    .status(status)
    .set({ 'Cache-Control': 'no-store', 'Referrer-Policy': PAGE_REFERRER, 'Content-Security-Policy': PAGE_POLICY })
    .type('text/html')
    .end(plainPage(title, paragraphs, onward));
}

/** With `no-referrer`, browsers send forms with `Origin: null` (Fetch Standard, "append a request Origin header"), and none could be told from those of other sites. */
export const PAGE_REFERRER = 'same-origin';
