/** What somebody may decide of a held reading, as forms: each works without a program in the browser. */
import { UNITS, type UnitCode } from '../core/quantity.ts';
import type { DecisionCode } from '../core/reading.ts';
import { html, type Html } from './html.ts';
import { hiddenToken } from './page.ts';
import { amount, UNIT_WORDS } from './words.ts';
import type { Quantity } from '../core/quantity.ts';

export interface DecisionOffer {
  readonly id: string;
  /** The version that is looked at; somebody else may have decided since. */
  readonly version: number;
  readonly formToken: string;
  readonly quantity?: Quantity;
  readonly units: readonly UnitCode[];
  /** Nobody is signed in, so whoever decides says who they are. */
  readonly asksWho: boolean;
  readonly isUnassigned: boolean;
  /** Why nothing can be decided by whoever looks at it; the forms are then left out. */
  readonly whyNot?: string;
  /** A second weighing was asked for already. */
  readonly isAsked: boolean;
  /** What was filled in before, when a form is shown again. */
  readonly filled?: FilledDecision;
}

export interface FilledDecision {
  readonly decision: string;
  readonly reason?: string;
  readonly who?: string;
  readonly value?: string;
  readonly unit?: string;
  readonly person?: string;
}

export interface UndoOffer {
  readonly id: string;
  readonly version: number;
  readonly formToken: string;
  /** `12:45`. */
  readonly until: string;
  readonly asksWho: boolean;
  readonly who?: string;
}

/** Common reasons, offered and never filled in. Common practice, no source. */
const REASONS: Readonly<Record<'keep' | 'correct' | 'discard' | 'wrong-person', readonly string[]>> = {
  keep: ['Weighed again, the same', 'Known loss of fluid', 'Known gain of fluid', 'New cast or prosthesis', 'Earlier weight was wrong'],
  correct: ['Read wrongly from the scale', 'Chair was not subtracted', 'Pounds were entered as kilograms'],
  'wrong-person': ['Another person stood on the scale', 'The wrong wristband was scanned'],
  discard: ['Nobody was on the scale', 'Pressed by mistake', 'The scale was not zeroed'],
};

export function decisionForms(offer: DecisionOffer): Html {
  const { whyNot, isUnassigned } = offer;
  if (whyNot !== undefined)
    return html`<section class="decide">
      <h2>Decide</h2>
      <p>${whyNot}</p>
    </section>`;
  const forms = isUnassigned
    ? [claim(offer), weighAgain(offer), discard(offer)]
    : [weighAgain(offer), keep(offer), correct(offer), wrongPerson(offer), discard(offer)];
  return html`<section class="decide">
    <h2>Decide</h2>
    ${forms}
  </section>`;
}

function weighAgain(offer: DecisionOffer): Html {
  if (offer.isAsked) return html`<p class="asked">A second weighing was asked for. When it agrees, this reading is released by itself.</p>`;
  return part(
    offer,
    'weigh-again',
    'Weigh again',
    'It goes on waiting. A second weighing that agrees releases it by itself.',
    html`${reason(offer, 'weigh-again', false)}`,
  );
}

function keep(offer: DecisionOffer): Html {
  const { quantity } = offer;
  const value = quantity ? ` ${amount(quantity)}` : '';
  return part(
    offer,
    'keep',
    `Keep${value}`,
    'The value is right. It goes into the chart as it is, and what is derived from it with it.',
    reason(offer, 'keep', true),
  );
}

function correct(offer: DecisionOffer): Html {
  const { filled, quantity, units } = offer;
  const isThis = filled?.decision === 'correct';
  const unit = (isThis && filled.unit) || quantity?.unit;
  const inputs = html`<div class="pair">
    <label
      >Right value <input name="value" inputmode="decimal" autocomplete="off" required value="${isThis ? (filled.value ?? '') : ''}"
    /></label>
    <label
      >Unit
      <select name="unit">
        ${units.map((code) => html`<option value="${code}" ${code === unit ? html` selected` : html``}>${UNIT_WORDS[code]} (${UNITS[code].name})</option>`)}
      </select></label
    >
  </div>`;
  return part(
    offer,
    'correct',
    'Correct the value',
    'Another value is right. It is judged like any other, and goes into the chart in place of this one.',
    html`${inputs}${reason(offer, 'correct', true)}`,
  );
}

function wrongPerson(offer: DecisionOffer): Html {
  return part(
    offer,
    'wrong-person',
    'Wrong person',
    'It is of somebody else. Scan their wristband: you see who that is before anything is moved.',
    html`${personInput(offer, 'wrong-person')}${reason(offer, 'wrong-person', true)}`,
    'Look up the person',
  );
}

function claim(offer: DecisionOffer): Html {
  return part(
    offer,
    'claim',
    'Say whose it is',
    'Scan the wristband of the person who was weighed: you see who that is before anything is stored.',
    personInput(offer, 'claim'),
    'Look up the person',
  );
}

function discard(offer: DecisionOffer): Html {
  return part(
    offer,
    'discard',
    'Discard',
    'It is no reading of anybody. It is marked as entered in error and stays in the record.',
    reason(offer, 'discard', true),
  );
}

type FormCode = DecisionCode | 'claim';

function part(offer: DecisionOffer, code: FormCode, title: string, means: string, inputs: Html, button = title): Html {
  const { id, version, formToken, filled } = offer;
  return html`<details name="decision" ${filled?.decision === code ? html` open` : html``}>
    <summary>${title}</summary>
    <form method="post" action="/review/readings/${id}/decide">
      ${hiddenToken(formToken)}<input type="hidden" name="decision" value="${code}" /><input
        type="hidden"
        name="version"
        value="${version}"
      />
      <p>${means}</p>
      ${inputs}${offer.asksWho && whoInput(filled?.who)}<button>${button}</button>
    </form>
  </details>`;
}

function reason({ filled }: DecisionOffer, code: 'weigh-again' | keyof typeof REASONS, isRequired: boolean): Html {
  const value = filled?.decision === code ? (filled.reason ?? '') : '';
  const list =
    code === 'weigh-again'
      ? undefined
      : html`<datalist id="reasons-${code}">${REASONS[code].map((text) => html`<option value="${text}"></option>`)}</datalist>`;
  return html`<label
      >Reason${isRequired ? undefined : ' (may be left out)'}
      <input
        name="reason"
        maxlength="500"
        autocomplete="off"
        ${list ? html` list="reasons-${code}"` : html``}${isRequired ? html` required` : html``}
        value="${value}" /></label
    >${list}`;
}

function personInput({ filled }: DecisionOffer, code: FormCode): Html {
  const value = filled?.decision === code ? (filled.person ?? '') : '';
  return html`<label
    >Identifier on the wristband <input name="person" maxlength="200" autocomplete="off" spellcheck="false" required value="${value}"
  /></label>`;
}

export function whoInput(value = ''): Html {
  return html`<label>Your name <input name="who" maxlength="200" autocomplete="name" required value="${value}" /></label>`;
}

export function undoForm({ id, version, formToken, until, asksWho, who }: UndoOffer): Html {
  return html`<section class="undo">
    <form method="post" action="/review/readings/${id}/undo">
      ${hiddenToken(formToken)}<input type="hidden" name="version" value="${version}" />
      <p>This can be taken back until ${until}, as long as it has not gone to the EHR.</p>
      ${asksWho && whoInput(who)}<button>Undo</button>
    </form>
  </section>`;
}

export interface ConfirmMove extends Pick<DecisionOffer, 'id' | 'version' | 'formToken' | 'asksWho'> {
  readonly decision: 'wrong-person' | 'claim';
  /** Id of the Patient who was found. */
  readonly patient: string;
  readonly name: string;
  readonly born?: string;
  readonly identifier?: string;
  readonly amount: string;
  readonly reason?: string;
  readonly who?: string;
}

/** Between scanning and moving: who that is, to be compared with who is there. */
export function confirmView({
  id,
  version,
  formToken,
  decision,
  patient,
  name,
  born,
  identifier,
  amount: much,
  reason: why,
  who,
  asksWho,
}: ConfirmMove): Html {
  return html`<section class="confirm">
    <p class="large">${much}</p>
    <p>Is this the person who was weighed?</p>
    <p class="who"><strong>${name}</strong> ${[born, identifier].filter((text) => text !== undefined).join(' · ')}</p>
    <form method="post" action="/review/readings/${id}/decide">
      ${hiddenToken(formToken)}<input type="hidden" name="decision" value="${decision}" /><input
        type="hidden"
        name="version"
        value="${version}"
      /><input type="hidden" name="patient" value="${patient}" />
      ${why !== undefined && html`<input type="hidden" name="reason" value="${why}" />`}${asksWho && html`<input type="hidden" name="who" value="${who ?? ''}" />`}
      <button>${decision === 'claim' ? 'Yes, it is theirs' : 'Yes, move it to them'}</button>
      <a class="button quiet" href="/review/readings/${id}">No, go back</a>
    </form>
  </section>`;
}
