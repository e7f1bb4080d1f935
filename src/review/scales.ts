/** Scales, and the chairs, cushions and slings that are weighed along: their state, and taking one out of use. */
import { html, type Html } from './html.ts';
import { hiddenToken, table } from './page.ts';
import { whoInput } from './decisions.ts';
import { plural } from './words.ts';
import type { Named } from './worklist.ts';

export interface ScaleInWords extends Named {
  readonly id: string;
  readonly kind: string;
  readonly ward: string;
  readonly isInUse: boolean;
  readonly zeroCheck: string;
  readonly calibration: string;
  readonly division: string;
  readonly lastReading: string;
  /** `2 of 40 (5 %)`, of the readings of the last 30 days. */
  readonly heldRate: string;
}

export interface ChairInWords extends Named {
  readonly kind: string;
  readonly tare: string;
  readonly established: string;
  readonly person: string;
}

export interface ScaleList {
  readonly scales: readonly ScaleInWords[];
  readonly chairs: readonly ChairInWords[];
  readonly isCut: boolean;
}

export function scalesView({ scales, chairs, isCut }: ScaleList): Html {
  const scaleRows = scales.map(({ id, name, kind, ward, isInUse, zeroCheck, calibration, division, lastReading, heldRate }) => [
    html`<a href="/review/scales/${id}">${name}</a>`,
    isInUse ? 'in use' : html`<strong>out of use</strong>`,
    kind,
    ward,
    zeroCheck,
    calibration,
    division,
    lastReading,
    heldRate,
  ]);
  const chairRows = chairs.map(({ name, kind, tare, established, person }) => [
    name,
    kind,
    html`<strong>${tare}</strong>`,
    established,
    person,
  ]);
  return html`<section>
      <h2>Scales</h2>
      ${
        scales.length === 0
          ? html`<p>No scale is registered (PUT Device).</p>`
          : table(
              'Registered scales',
              ['Scale', 'State', 'Kind', 'Ward', 'Zero check', 'Calibration', 'Division', 'Last reading', 'Held in 30 days'],
              scaleRows,
            )
      }
    </section>
    <section>
      <h2>Chairs, cushions and slings</h2>
      ${
        chairs.length === 0
          ? html`<p>None is registered with a tare.</p>`
          : table('Registered tares', ['What', 'Kind', 'Tare', 'Weighed', 'Whose'], chairRows)
      }
    </section>
    ${isCut && html`<p>More are registered than are shown here.</p>`}`;
}

export interface ScalePage extends ScaleInWords {
  readonly version: number;
  readonly formToken: string;
  readonly asksWho: boolean;
  readonly whyNot?: string;
  /** Remarks on the Device, the newest last: who took it out of use, and why. */
  readonly notes: readonly string[];
  readonly recent: readonly {
    readonly when: string;
    readonly amount: string;
    readonly person: string;
    readonly standing: string;
    readonly id: string;
  }[];
}

export function scaleView(scale: ScalePage): Html {
  const { kind, ward, isInUse, zeroCheck, calibration, division, lastReading, heldRate, recent, notes, whyNot } = scale;
  const facts = [
    ['State', isInUse ? 'in use' : 'out of use: its readings wait'],
    ['Kind', kind],
    ['Ward', ward],
    ['Zero check', zeroCheck],
    ['Calibration', calibration],
    ['Division', division],
    ['Last reading', lastReading],
    ['Held in 30 days', heldRate],
  ];
  const rows = recent.map(({ when, amount, person, standing, id }) => [
    html`<a href="/review/readings/${id}">${when}</a>`,
    amount,
    person,
    standing,
  ]);
  return html`<p class="back"><a href="/review/scales">All scales</a></p>
    <p class="large small">${scale.name}</p>
    ${table('What is known of it', ['What', ''], facts)}
    ${
      notes.length > 0 &&
      html`<h2>Remarks</h2>
        <ul>
          ${notes.map((note) => html`<li>${note}</li>`)}
        </ul>`
    }
    <section class="decide">
      <h2>What to do with it</h2>
      ${whyNot === undefined ? [useForm(scale), recallForm(scale)] : html`<p>${whyNot}</p>`}
    </section>
    <section>
      <h2>Its last readings</h2>
      ${rows.length === 0 ? html`<p>None is stored.</p>` : table('The newest first', ['Measured', 'Value', 'Person', 'State'], rows)}
    </section>`;
}

type FormOf = Pick<ScalePage, 'id' | 'version' | 'formToken' | 'asksWho'>;

function useForm(scale: ScalePage): Html {
  const { id, version, formToken, isInUse, asksWho } = scale;
  const [title, means] = isInUse
    ? ['Take it out of use', 'From now on its readings are held. What it measured before stays as it is: recall it for that.']
    : ['Put it back in use', 'Its new readings are judged like any other. Those that wait already go on waiting: decide on each.'];
  return html`<details name="scale">
    <summary>${title}</summary>
    <form method="post" action="/review/scales/${id}/use">
      ${hiddenToken(formToken)}<input type="hidden" name="version" value="${version}" /><input
        type="hidden"
        name="use"
        value="${isInUse ? 'out' : 'in'}"
      />
      <p>${means}</p>
      <label>Reason <input name="reason" maxlength="500" autocomplete="off" required /></label>${asksWho && whoInput()}<button>
        ${title}
      </button>
    </form>
  </details>`;
}

function recallForm({ id, formToken, asksWho }: FormOf): Html {
  return html`<details name="scale">
    <summary>Recall its readings</summary>
    <form method="post" action="/review/scales/${id}/recall">
      ${hiddenToken(formToken)}
      <p>It was found wrong: mark everything that it measured since a day. You see how many readings that is before anything is marked.</p>
      <label>Since <input name="since" type="date" required /></label>
      <fieldset>
        <legend>What is to become of them</legend>
        <label class="choice"
          ><input type="radio" name="action" value="flagged" required checked /> Flag them: they stay, marked as doubtful, and are compared
          with nothing</label
        >
        <label class="choice"
          ><input type="radio" name="action" value="entered-in-error" /> Enter them in error: they count for nothing, and their BMI is
          withdrawn</label
        >
      </fieldset>
      <label>Reason <input name="reason" maxlength="500" autocomplete="off" required /></label>${asksWho && whoInput()}<button>
        Look how many that is
      </button>
    </form>
  </details>`;
}

export interface RecallConfirm extends Omit<FormOf, 'version'> {
  readonly name: string;
  readonly since: string;
  readonly action: 'flagged' | 'entered-in-error';
  readonly reason: string;
  readonly who?: string;
  readonly readings: number;
}

export function recallConfirmView({ id, formToken, name, since, action, reason, who, readings, asksWho }: RecallConfirm): Html {
  const hidden = { since, action, reason, ...(asksWho && { who: who ?? '' }), confirmed: 'yes' };
  return html`<section class="confirm">
    <p class="large small">${name}</p>
    <p>
      It has measured <strong>${plural(readings, 'reading')}</strong> since ${since}. All of them will be
      ${action === 'flagged' ? 'flagged as doubtful' : 'entered in error'}, with everything that was derived from them, and the EHR is told.
    </p>
    <form method="post" action="/review/scales/${id}/recall">
      ${hiddenToken(formToken)}${Object.entries(hidden).map(([field, value]) => html`<input type="hidden" name="${field}" value="${value}" />`)}
      <button>${readings === 0 ? 'Nothing to mark' : `Mark ${plural(readings, 'reading')}`}</button>
      <a class="button quiet" href="/review/scales/${id}">No, go back</a>
    </form>
  </section>`;
}
