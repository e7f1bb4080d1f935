/** The readings that wait, those that have waited longest first: who, what was read, why it waits, what to do. */
import type { Quantity } from '../core/quantity.ts';
import type { Measured } from '../core/terminology.ts';
import { html, type Html } from './html.ts';
import { ageWords, amountInFull, factAndRemedy, MEASURE_WORDS, plural } from './words.ts';

/** Something that is named on a page: by its key for addresses and filters, by its name for people. */
export interface Named {
  readonly key: string;
  readonly name: string;
}

export interface PersonInWords extends Named {
  /** `born 10 Jun 1954`. */
  readonly born?: string;
  /** The identifier that is on the wristband, or the key when no other is known. */
  readonly identifier?: string;
}

/** Why something waits: a rule, with the sentence that was said. */
export interface Reason {
  readonly rule: string;
  readonly title: string;
  /** As it was said of this reading; the rule's title where it was not kept. */
  readonly says: string;
  readonly source: string;
}

export interface WaitingReading {
  readonly id: string;
  readonly of: Measured;
  /** Absent when the reading says why there is no value. */
  readonly quantity?: Quantity;
  readonly person: PersonInWords;
  /** Nobody has said whose it is. */
  readonly isUnassigned: boolean;
  readonly ward?: Named;
  readonly scale?: Named;
  readonly measured: string;
  readonly waitedMs: number;
  readonly reasons: readonly Reason[];
  readonly askedAgain?: string;
}

export interface WorklistFilter {
  readonly ward?: string;
  readonly quantity?: string;
  readonly rule?: string;
  readonly scale?: string;
}

export interface Worklist {
  readonly all: readonly WaitingReading[];
  readonly filter: WorklistFilter;
  /** More wait than are looked at here. */
  readonly isCut: boolean;
}

export function shownOf({ all, filter }: Pick<Worklist, 'all' | 'filter'>): readonly WaitingReading[] {
  return all.filter(
    ({ ward, of, reasons, scale }) =>
      (filter.ward === undefined || (ward?.key ?? NO_WARD) === filter.ward) &&
      (filter.quantity === undefined || of === filter.quantity) &&
      (filter.rule === undefined || reasons.some(({ rule }) => rule === filter.rule)) &&
      (filter.scale === undefined || scale?.key === filter.scale),
  );
}

const NO_WARD = 'none';

/** Everything between the heading and the caution; `data-live` is what the browser renews. */
export function worklistView(list: Worklist): Html {
  return html`${filterForm(list)}
    <p class="notice problem" role="alert" data-stale hidden>
      This list could not be renewed and may be out of date. <a href="/review">Open it again</a>.
    </p>
    ${liveList(list)}`;
}

/** The part that changes while somebody looks at it. */
export function liveList(list: Worklist): Html {
  const shown = shownOf(list);
  const oldest = shown[0];
  const count = oldest
    ? html`<strong>${plural(shown.length, 'reading')}</strong> ${shown.length === 1 ? 'waits' : 'wait'}, the oldest for
        ${ageWords(oldest.waitedMs)}.`
    : html`No reading waits${list.all.length > 0 && ' here'}.`;
  const hidden = list.all.length - shown.length;
  return html`<section data-live="worklist" data-waiting="${list.all.length}" aria-label="Readings that wait">
    <p class="tally" role="status">
      ${count}${hidden > 0 && html` ${plural(hidden, 'other')} ${hidden === 1 ? 'does' : 'do'} not match the choice above.`}${list.isCut && ' More wait than fit on this page: decide on these first.'}
    </p>
    <ol class="waiting">
      ${shown.map(row)}
    </ol>
  </section>`;
}

function row({ id, of, quantity, person, isUnassigned, ward, scale, measured, waitedMs, reasons, askedAgain }: WaitingReading): Html {
  const [first, ...others] = reasons;
  const { fact, remedy } = factAndRemedy(first?.says ?? 'It was held before reasons were kept with readings.');
  return html`<li>
    <article aria-labelledby="who-${id}">
      <p class="amount"><span class="of">${MEASURE_WORDS[of]}</span> ${quantity ? amountInFull(quantity, of) : 'no value'}</p>
      <div class="case">
        <h2 id="who-${id}"><a href="/review/readings/${id}">${isUnassigned ? 'Whose is it?' : person.name}</a></h2>
        <p class="who">${[person.born, person.identifier].filter((part) => part !== undefined).join(' · ')}</p>
        <p class="why">${fact}${others.length > 0 && html` <span class="more">and ${plural(others.length, 'other reason')}</span>`}</p>
        <p class="do">
          <span class="label">What to do:</span> ${isUnassigned ? 'Say whose it is, or discard it.' : remedy || 'Weigh again, or decide.'}
        </p>
        <p class="facts">
          <span>${scale?.name ?? 'scale not named'}</span><span>${ward?.name ?? 'ward not known'}</span><span>measured ${measured}</span
          ><span class="age">waits ${ageWords(waitedMs)}</span
          >${askedAgain !== undefined && html`<span class="asked">second weighing asked for</span>`}
        </p>
      </div>
    </article>
  </li>`;
}

function filterForm({ all, filter }: Worklist): Html {
  const wards = [
    ...named(all.map(({ ward }) => ward)),
    ...(all.some(({ ward }) => ward === undefined) ? [{ key: NO_WARD, name: 'ward not known' }] : []),
  ];
  const rules = named(all.flatMap(({ reasons }) => reasons.map(({ rule, title }) => ({ key: rule, name: title }))));
  return html`<form class="filter" method="get" action="/review" aria-label="Choose what is shown">
    ${select('ward', 'Ward', wards, filter.ward)}
    ${select(
      'quantity',
      'Quantity',
      [
        { key: 'weight', name: 'Weight' },
        { key: 'height', name: 'Height' },
      ],
      filter.quantity,
    )}
    ${select('rule', 'Why', rules, filter.rule)} ${select('scale', 'Scale', named(all.map(({ scale }) => scale)), filter.scale)}
    <button>Show</button>
  </form>`;
}

/** Each once, in the order of their names. */
function named(list: readonly (Named | undefined)[]): Named[] {
  const byKey = new Map(list.flatMap((one) => (one ? [[one.key, one] as const] : [])));
  return [...byKey.values()].sort((a, b) => a.name.localeCompare(b.name, 'en'));
}

export function select(name: string, label: string, options: readonly Named[], chosen: string | undefined, all = 'all'): Html {
  // what was chosen stays there to be seen, although nothing of it waits any more
  const shown = chosen === undefined || options.some(({ key }) => key === chosen) ? options : [...options, { key: chosen, name: chosen }];
  return html`<label
    >${label}
    <select name="${name}">
      <option value="">${all}</option>
      ${shown.map(({ key, name: words }) => html`<option value="${key}" ${key === chosen ? html` selected` : html``}>${words}</option>`)}
    </select></label
  >`;
}
