/** Pages of a few sentences: somebody is not let in, has signed out, or is led on. */
import { element, escapeHtml } from '../html.ts';
import { RULES_STYLE } from '../rules-page.ts';
import type { Response } from '../serving.ts';

/** Where the reader goes on from here. */
export interface Onward {
  readonly href: string;
  readonly text: string;
  /** Without being asked: by a refresh, since a page of ours that leads on counts as our own site for cookies, where a redirect from elsewhere does not. */
  readonly isAtOnce?: boolean;
}

/** @param paragraphs plain texts, without names of people */
export function sendPlainPage(res: Response, status: number, title: string, paragraphs: readonly string[], onward?: Onward): void {
  const refresh = onward?.isAtOnce === true ? `<meta http-equiv="refresh" content="0; url=${escapeHtml(onward.href)}">` : '';
  const link = onward === undefined ? '' : `<p><a href="${escapeHtml(onward.href)}">${escapeHtml(onward.text)}</a></p>`;
  res
    .status(status)
    .set({ 'Cache-Control': 'no-store', 'Referrer-Policy': PAGE_REFERRER })
    .type('text/html')
    .end(
      `<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width,initial-scale=1">` +
        `${refresh}<title>${escapeHtml(title)}</title><style>${RULES_STYLE}</style></head><body><main>` +
        `${element('h1', title)}${paragraphs.map((text) => element('p', text)).join('')}${link}</main></body></html>`,
    );
}

/** With `no-referrer`, browsers send forms with `Origin: null` (Fetch Standard, "append a request Origin header"), and none could be told from those of other sites. */
export const PAGE_REFERRER = 'same-origin';
