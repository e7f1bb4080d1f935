/**
 * One reading: the value large, why it waits in one sentence, the arithmetic behind that, the
 * person's earlier readings, and what may be decided.
 */
import { subtract } from '../core/decimal.ts';
import { inBaseUnit, type Quantity } from '../core/quantity.ts';
import type { Measured } from '../core/terminology.ts';
import { chart, type ChartData } from './chart.ts';
import { decisionForms, undoForm, type DecisionOffer, type UndoOffer } from './decisions.ts';
import { html, type Html } from './html.ts';
import { table } from './page.ts';
import { amount, amountInFull, factAndRemedy, inBase, MEASURE_WORDS, plainUnits } from './words.ts';
import type { Named, PersonInWords, Reason } from './worklist.ts';

/** One line of the arithmetic: what it is, how much, and where that comes from. */
export interface Figure {
  readonly what: string;
  readonly amount: string;
  readonly remark?: string;
}

/** One condition of weighing, now and at the last accepted reading. */
export interface ConditionPair {
  readonly what: string;
  readonly now: string;
  readonly before?: string;
  /** Absent where nothing is to be compared, as of two moments. */
  readonly differs?: boolean;
}

export interface EarlierReading {
  readonly when: string;
  readonly amount: string;
  /** This reading less that one, with its sign. */
  readonly difference: string;
  readonly scale: string;
  readonly method: string;
  readonly clothing: string;
  /** Empty when the two compare. */
  readonly reasons: readonly string[];
}

/** What became of it when it no longer waits, or what it still waits for. */
export interface Standing {
  readonly isHeld: boolean;
  /** `It was kept on 1 Dec 2026, 12:40 by …` */
  readonly sentences: readonly string[];
}

export interface ReadingInWords {
  readonly id: string;
  readonly of: Measured;
  readonly quantity?: Quantity;
  readonly gross?: Quantity;
  readonly tare?: Quantity;
  /** Names of the chairs, cushions and slings that were subtracted. */
  readonly subtracted: readonly string[];
  readonly person: PersonInWords;
  readonly isUnassigned: boolean;
  readonly scale?: Named;
  readonly ward?: Named;
  readonly measured: string;
  readonly standing: Standing;
  readonly reasons: readonly Reason[];
  readonly figures: readonly Figure[];
  readonly earlier: readonly EarlierReading[];
  readonly chart?: ChartData;
  readonly conditions: readonly ConditionPair[];
  readonly policy: string;
  readonly decisions?: DecisionOffer;
  readonly undo?: UndoOffer;
}

export function readingView(reading: ReadingInWords): Html {
  const { standing, decisions, undo } = reading;
  return html`<div class="reading" data-live="reading" data-held="${standing.isHeld ? 'yes' : 'no'}">
    ${head(reading)} ${undo && undoForm(undo)} ${decisions && decisionForms(decisions)} ${arithmetic(reading)} ${history(reading)}
    ${conditions(reading)} ${masses(reading)} ${sources(reading)}
  </div>`;
}

function head({ of, quantity, person, isUnassigned, scale, ward, measured, standing, reasons }: ReadingInWords): Html {
  const [first] = reasons;
  const { fact, remedy } = factAndRemedy(first?.says ?? '');
  return html`<section class="head" aria-label="The reading">
    <p class="large"><span class="of">${MEASURE_WORDS[of]}</span> ${quantity ? amountInFull(quantity, of) : 'no value'}</p>
    <p class="who">
      <strong>${isUnassigned ? 'Nobody has said whose it is' : person.name}</strong>
      ${[person.born, person.identifier].filter((part) => part !== undefined).join(' · ')}
    </p>
    <p class="facts">
      <span>${scale?.name ?? 'scale not named'}</span><span>${ward?.name ?? 'ward not known'}</span><span>measured ${measured}</span>
    </p>
    ${standing.sentences.map((sentence) => html`<p class="standing">${sentence}</p>`)}
    ${
      standing.isHeld &&
      first &&
      html`<p class="why">${fact}</p>
        <p class="do"><span class="label">What to do:</span> ${remedy || 'Weigh again, or decide.'}</p>`
    }
  </section>`;
}

function arithmetic({ figures }: ReadingInWords): Html | undefined {
  if (figures.length === 0) return undefined;
  return html`<section>
    <h2>The arithmetic</h2>
    ${table(
      'How this reading was compared',
      ['What', 'How much', 'Where from'],
      figures.map(({ what, amount: much, remark = '' }) => [what, html`<strong>${much}</strong>`, remark]),
      'figures',
    )}
  </section>`;
}

function history({ chart: data, earlier, of }: ReadingInWords): Html {
  const heading = html`<h2>Earlier ${of === 'weight' ? 'weights' : 'heights'}</h2>`;
  if (earlier.length === 0)
    return html`<section>
      ${heading}
      <p>None was accepted before this one, so there is nothing to compare it with.</p>
    </section>`;
  const rows = earlier.map(({ when, amount: much, difference, scale, method, clothing, reasons }) => [
    when,
    much,
    difference,
    scale,
    method,
    clothing,
    reasons.length === 0 ? 'yes' : `no: ${reasons.join('; ')}`,
  ]);
  return html`<section>
    ${heading}${data && chart(data)}${table('Accepted before this reading, newest first', ['Measured', 'Value', 'This one less that', 'Scale', 'Method', 'Clothing', 'Compares'], rows)}
  </section>`;
}

function conditions({ conditions: pairs }: ReadingInWords): Html {
  const hasBefore = pairs.some(({ before }) => before !== undefined);
  const rows = pairs.map(({ what, now, before, differs }) => [
    what,
    now,
    ...(hasBefore ? [before ?? 'not said', differs === undefined ? '' : differs ? html`<strong>differs</strong>` : 'the same'] : []),
  ]);
  const heads = ['Condition', 'This reading', ...(hasBefore ? ['Last accepted', ''] : [])];
  return html`<section>
    <h2>How it was measured</h2>
    ${table(hasBefore ? 'This reading beside the last accepted one' : 'This reading', heads, rows)}
  </section>`;
}

function masses({ of, quantity, gross, tare, subtracted }: ReadingInWords): Html | undefined {
  if (of !== 'weight' || quantity === undefined) return undefined;
  const said = gross !== undefined || tare !== undefined;
  const row = (name: string, means: string, mass: Quantity | undefined) =>
    html`<div>
      <dt>${name} <span class="means">${means}</span></dt>
      <dd>${mass ? amount(mass) : 'not said'}</dd>
    </div>`;
  return html`<section>
    <h2>Gross, tare, net</h2>
    ${said ? undefined : html`<p>Its sender said nothing of a chair, cushion or sling.</p>`}
    <dl class="masses">
      ${row('Gross', 'as the scale read it', gross)}${row('Tare', subtracted.length === 0 ? 'what was subtracted' : subtracted.join(', '), tare)}${row('Net', 'the person', quantity)}${
        gross &&
        tare &&
        html`<div>
          <dt>Gross less tare <span class="means">to compare with the net</span></dt>
          <dd>${inBase(subtract(inBaseUnit(gross), inBaseUnit(tare)), 'weight')}</dd>
        </div>`
      }
    </dl>
  </section>`;
}

function sources({ reasons, policy, id }: ReadingInWords): Html {
  return html`<section>
    <h2>Rules and sources</h2>
    ${
      reasons.length === 0
        ? html`<p>No rule holds it now.</p>`
        : html`<ul class="sources">
            ${reasons.map(
              ({ rule, title, says, source }) =>
                html`<li><a href="/rules/${rule}">${title}</a>: ${plainUnits(says)} <span class="means">Source: ${source}</span></li>`,
            )}
          </ul>`
    }
    <p class="means">Policy ${policy}. Reading <code>Observation/${id}</code>.</p>
  </section>`;
}
