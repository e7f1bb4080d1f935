/** What was refused, as it was sent, with the findings and the sender: for whoever mends the sender. */
import { html, type Html } from './html.ts';
import { plainUnits } from './words.ts';

export interface RefusedFinding {
  readonly rule: string;
  readonly title: string;
  readonly says: string;
  /** FHIRPath of the element. */
  readonly place: string;
  readonly source?: string;
}

export interface RefusedReading {
  readonly id: string;
  readonly received: string;
  /** The client of the token, where one had to be shown. */
  readonly gateway?: string;
  /** What the reading says of its device and of itself, where it can be read. */
  readonly device?: string;
  readonly identifier?: string;
  readonly findings: readonly RefusedFinding[];
  readonly raw: string;
  /** The text was longer than a page should be. */
  readonly isCut: boolean;
}

export interface RefusedList {
  readonly shown: readonly RefusedReading[];
  /** Address of the next page. */
  readonly next?: string;
}

export function refusedView({ shown, next }: RefusedList): Html {
  if (shown.length === 0) return html`<p>Nothing was refused.</p>`;
  return html`<p>The newest first. A refused reading is kept here as it was sent, and nowhere else.</p>
    <ol class="entries">
      ${shown.map(entry)}
    </ol>
    ${next !== undefined && html`<p><a class="button" href="${next}">Earlier ones</a></p>`}`;
}

function entry({ id, received, gateway, device, identifier, findings, raw, isCut }: RefusedReading): Html {
  const from = [
    html`<span>gateway <strong>${gateway ?? 'not known: it had to show no token'}</strong></span>`,
    device === undefined ? undefined : html`<span>device ${device}</span>`,
    identifier === undefined ? undefined : html`<span>its identifier ${identifier}</span>`,
  ];
  return html`<li>
    <article aria-labelledby="refused-${id}">
      <h2 id="refused-${id}">${findings[0]?.title ?? 'Refused'}</h2>
      <p class="facts"><span>received ${received}</span>${from}</p>
      <ul>
        ${findings.map(
          ({ rule, says, place, source }) =>
            html`<li>
              ${plainUnits(says)}
              <span class="means"
                >At <code>${place}</code>, by <a href="/rules/${rule}">${rule}</a>${source !== undefined && html`; source: ${source}`}</span
              >
            </li>`,
        )}
      </ul>
      <details>
        <summary>As it was sent</summary>
        <pre>${raw}</pre>
        ${isCut && html`<p>The rest is left out here.</p>`}
      </details>
    </article>
  </li>`;
}
