/** What has not reached the EHR, and why. */
import { html, type Html } from './html.ts';
import { hiddenToken, table } from './page.ts';
import { plural } from './words.ts';

export interface UnsentItem {
  readonly number: number;
  readonly isParked: boolean;
  /** Parked for its own sake: what waits for another item goes with that one. */
  readonly canRetry: boolean;
  readonly person: string;
  /** What it would send: `Weight 70.0 kg`, and how much else. */
  readonly what: string;
  readonly queued: string;
  readonly waits: string;
  readonly tries: number;
  readonly next?: string;
  readonly why: string;
}

export interface UnsentList {
  readonly items: readonly UnsentItem[];
  readonly waiting: number;
  readonly parked: number;
  /** False when no EHR is configured: then nothing is queued. */
  readonly forwards: boolean;
  /** Of whoever may send again; absent for everybody else. */
  readonly formToken?: string;
}

export function unsentView({ items, waiting, parked, forwards, formToken }: UnsentList): Html {
  if (!forwards) return html`<p>No EHR is configured (STEELYARD_EHR_URL), so nothing is forwarded; an EHR can pull what is accepted.</p>`;
  if (items.length === 0) return html`<p>Everything that was accepted has reached the EHR.</p>`;
  const hidden = waiting + parked - items.length;
  const rows = items.map((item) => {
    const { number, isParked, person, what, queued, waits, tries, next, why } = item;
    return [
      html`${number}`,
      html`${isParked ? html`<strong>parked</strong>` : 'waiting'}${formToken !== undefined && item.canRetry && retryForm(item, formToken)}`,
      person,
      what,
      `${queued} (${waits})`,
      `${tries}${next === undefined ? '' : `, next ${next}`}`,
      why,
    ];
  });
  const whatNext =
    formToken === undefined ? 'then an engineer sends it again, here or by' : 'then send it again, here or, many at once, by';
  return html`<p>
      <strong>${plural(waiting, 'item')}</strong> ${waiting === 1 ? 'waits' : 'wait'},
      <strong>${plural(parked, 'item')}</strong> ${parked === 1 ? 'is' : 'are'} parked. What waits is tried again by itself, in order for
      each person. What is parked waits for somebody: mend the cause, ${whatNext} <code>steelyard outbox retry</code>.
    </p>
    ${table('Not at the EHR yet, the oldest first', ['Item', 'State', 'Person', 'What', 'Queued', 'Tries', 'Why'], rows)}${hidden > 0 && html`<p>${plural(hidden, 'other')} left out here.</p>`}`;
}

function retryForm({ number }: UnsentItem, formToken: string): Html {
  return html`<form method="post" action="/review/unsent/${number}/retry">
    ${hiddenToken(formToken)}<button class="quiet" aria-label="Send again: item ${number}">Send again</button>
  </form>`;
}
