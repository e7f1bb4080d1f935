/**
 * The frame of every page: what is said on all of them, and the way between them. Titles name the
 * kind of page and never a person, since they stand in histories and on other people's screens.
 */
import { FORM_TOKEN_FIELD, OPEN_NOTICE, SIGN_OUT_PATH } from '../visitor.ts';
import { html, type Html } from './html.ts';

export interface Frame {
  /** Of the kind of page: no patient data. */
  readonly title: string;
  /** Address of the page in the navigation that this one belongs to. */
  readonly section?: string;
  /** Who is signed in; absent where nobody has to. */
  readonly name?: string;
  /** Absent on a page that is for everybody, signed in or not. */
  readonly formToken?: string;
  readonly isOpen: boolean;
  /** How many readings wait, for the navigation. */
  readonly waiting?: number;
  /** Minutes without a key or a touch after which the browser leaves the page. */
  readonly idleMinutes?: number;
}

export interface Section {
  readonly path: string;
  readonly name: string;
}

export const SECTIONS: readonly Section[] = [
  { path: '/review', name: 'Waiting' },
  { path: '/review/refused', name: 'Refused' },
  { path: '/review/unsent', name: 'Unsent' },
  { path: '/review/scales', name: 'Scales and chairs' },
  { path: '/review/shift', name: 'Shift' },
  { path: '/try', name: 'Try' },
  { path: '/rules', name: 'Rules' },
];

export const CAUTION =
  'Steelyard checks data entry and arithmetic; it makes no medical decision. Clinical judgement, local policy and licensed practice come first. Verify a held reading by weighing again.';

/** The whole document. */
export function page(frame: Frame, content: Html): string {
  const { title, name, isOpen, formToken, idleMinutes } = frame;
  return html`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta name="color-scheme" content="light dark">
${idleMinutes !== undefined && html`<noscript><meta http-equiv="refresh" content="${idleMinutes * 60}; url=/review/locked" /></noscript>`}
        <title>${title} – Steelyard</title>
<link rel="icon" href="/review/assets/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="/review/assets/review.css">
<script src="/review/assets/review.js" defer></script>
</head>
<body${idleMinutes === undefined ? html`` : html` data-idle-minutes="${idleMinutes}"`}>
<a class="skip" href="#content">Skip to the content</a>
<header class="top">
<p class="mark"><a href="/review">${BEAM} Steelyard</a></p>
<nav aria-label="Pages"><ul>${SECTIONS.map((section) => entry(section, frame))}</ul></nav>
${!isOpen && formToken !== undefined && signOut(name ?? 'Signed in', formToken)}
</header>
${isOpen && html`<p class="notice open" role="note">${OPEN_NOTICE}</p>`}
<main id="content" tabindex="-1">
<h1>${title}</h1>
${content}
</main>
<footer><p class="caution">${CAUTION}</p></footer>
</body>
</html>
`.html;
}

/** A beam on an off-centre edge with its weight: what the name says. */
const BEAM = html`<svg class="beam" viewBox="0 0 32 20" width="32" height="20" aria-hidden="true">
  <path d="M1 7h30M9 7l-3 6h6zM9 7V2M24 7v3" fill="none" stroke="currentColor" stroke-width="2" />
  <circle cx="24" cy="14" r="4" fill="currentColor" />
</svg>`;

function entry({ path, name }: Section, { section, waiting }: Frame): Html {
  const count = path === '/review' && waiting !== undefined && waiting > 0 && html` <span class="count" data-waiting>${waiting}</span>`;
  return html`<li><a href="${path}" ${section === path ? html` aria-current="page"` : html``}>${name}${count}</a></li>`;
}

function signOut(name: string, formToken: string): Html {
  return html`<form class="sign-out" method="post" action="${SIGN_OUT_PATH}">
    <span>${name}</span> ${hiddenToken(formToken)}<button class="quiet">Sign out</button>
  </form>`;
}

/** Where the reader of a page of a few sentences goes on from there. */
export interface Onward {
  readonly href: string;
  readonly text: string;
  /** Without being asked: by a refresh, since a page of ours that leads on counts as our own site for cookies, where a redirect from elsewhere does not. */
  readonly isAtOnce?: boolean;
}

/** A page of a few sentences for whoever was not let in, or has gone: it shows nothing and leads nowhere but on. */
export function plainPage(title: string, paragraphs: readonly string[], onward?: Onward): string {
  const refresh = onward?.isAtOnce === true && html`<meta http-equiv="refresh" content="0; url=${onward.href}" />`;
  return `<!doctype html>${
    html`<html lang="en">
      <head>
        <meta charset="utf-8" />
        <meta name="viewport" content="width=device-width,initial-scale=1" />
        <meta name="color-scheme" content="light dark" />
        ${refresh}
        <title>${title} – Steelyard</title>
        <link rel="icon" href="/review/assets/icon.svg" type="image/svg+xml" />
        <link rel="stylesheet" href="/review/assets/review.css" />
      </head>
      <body>
        <header class="top"><p class="mark">${BEAM} Steelyard</p></header>
        <main id="content">
          <h1>${title}</h1>
          ${paragraphs.map((text) => html`<p>${text}</p>`)}${onward && html`<p><a class="button" href="${onward.href}">${onward.text}</a></p>`}
        </main>
      </body>
    </html>`.html
  }`;
}

/** Goes into every form, and shows that a page of ours sent it. */
export function hiddenToken(formToken: string): Html {
  return html`<input type="hidden" name="${FORM_TOKEN_FIELD}" value="${formToken}" />`;
}

/** A message above everything else: what was done, or why it was not. */
export function notice(kind: 'done' | 'problem', words: string | Html): Html {
  return html`<p class="notice ${kind}" role="${kind === 'done' ? 'status' : 'alert'}">${words}</p>`;
}

/** A table that stays one on a narrow screen: each cell carries its column's head. */
export function table(caption: string, heads: readonly string[], rows: readonly (readonly (string | Html)[])[], name = 'list'): Html {
  return html`<table class="${name}">
    <caption>
      ${caption}
    </caption>
    <thead>
      <tr>
        ${heads.map((head) => html`<th scope="col">${head}</th>`)}
      </tr>
    </thead>
    <tbody>
      ${rows.map(
        (cells) =>
          html`<tr>
            ${cells.map((cell, at) => (at === 0 ? html`<th scope="row" data-head="${heads[at] ?? ''}">${cell}</th>` : html`<td data-head="${heads[at] ?? ''}">${cell}</td>`))}
          </tr>`,
      )}
    </tbody>
  </table>`;
}
