/** What a shift weighed and measured, by ward: on the screen, on paper, and as a table for a spreadsheet. */
import { toCsv } from './csv.ts';
import { html, type Html } from './html.ts';
import { select } from './worklist.ts';
import { table } from './page.ts';
import { MEASURE_WORDS } from './words.ts';
import type { Measured } from '../core/terminology.ts';

export type ShiftStanding = 'accepted' | 'waiting' | 'asked again' | 'withdrawn';

export interface ShiftReading {
  readonly id: string;
  readonly measured: string;
  readonly of: Measured;
  /** Digits and unit as they were written; both absent without a value. */
  readonly value?: string;
  readonly unit?: string;
  readonly ward: string;
  readonly scale: string;
  readonly person: string;
  readonly identifier: string;
  readonly standing: ShiftStanding;
  readonly why: string;
  readonly decision: string;
}

export interface ShiftSummary {
  readonly hours: number;
  readonly from: string;
  readonly until: string;
  readonly readings: readonly ShiftReading[];
  readonly refused: number;
  readonly isCut: boolean;
}

/** Lengths of shifts. Common practice, no source. */
export const SHIFT_HOURS = [8, 12, 24] as const;

export function shiftView(summary: ShiftSummary): Html {
  const { hours, from, until, readings, refused, isCut } = summary;
  const lines = readings.map(({ id, measured, of, value, unit, ward, scale, person, standing, why, decision }) => [
    html`<a href="/review/readings/${id}">${measured}</a>`,
    person,
    MEASURE_WORDS[of],
    value === undefined ? 'no value' : `${value}\u00a0${unit}`,
    ward,
    scale,
    standing === 'accepted' ? 'accepted' : html`<strong>${standing}</strong>`,
    [why, decision].filter((text) => text !== '').join(' '),
  ]);
  return html`<form class="filter" method="get" action="/review/shift">
      ${select(
        'hours',
        'The last',
        SHIFT_HOURS.map((length) => ({ key: String(length), name: `${length} hours` })),
        String(hours),
        '8 hours, as always',
      )}<button>Show</button> <a class="button quiet" href="/review/shift.csv?hours=${hours}">For a spreadsheet (CSV)</a>
    </form>
    <p>
      Measured from ${from} to ${until}.
      ${refused === 0 ? 'Nothing was refused in that time.' : `${refused} ${refused === 1 ? 'reading was' : 'readings were'} refused in that time.`}
    </p>
    ${table('By ward', ['Ward', 'Done', 'Accepted', 'Waiting', 'To weigh again', 'Withdrawn'], byWard(readings))}
    ${readings.length === 0 ? html`<p>Nothing was measured in that time.</p>` : table('Every reading, the newest first', ['Measured', 'Person', 'What', 'Value', 'Ward', 'Scale', 'State', 'Why'], lines)}${isCut && html`<p>More was measured than is shown here; choose a shorter time.</p>`}`;
}

function byWard(readings: readonly ShiftReading[]): string[][] {
  const wards = [...new Set(readings.map(({ ward }) => ward))].sort((a, b) => a.localeCompare(b, 'en'));
  const count = (of: readonly ShiftReading[], ...standings: readonly ShiftStanding[]): string =>
    String(of.filter(({ standing }) => standings.includes(standing)).length);
  const row = (name: string, of: readonly ShiftReading[]): string[] => [
    name,
    String(of.length),
    count(of, 'accepted'),
    count(of, 'waiting', 'asked again'),
    count(of, 'asked again'),
    count(of, 'withdrawn'),
  ];
  return [
    ...wards.map((ward) =>
      row(
        ward,
        readings.filter((reading) => reading.ward === ward),
      ),
    ),
    ...(wards.length === 1 ? [] : [row('All wards', readings)]),
  ];
}

const CSV_HEADS = [
  'measured',
  'ward',
  'scale',
  'person',
  'identifier',
  'quantity',
  'value',
  'unit',
  'state',
  'why',
  'decision',
  'observation',
];

export function shiftCsv({ readings }: Pick<ShiftSummary, 'readings'>): string {
  return toCsv(
    CSV_HEADS,
    readings.map(({ id, measured, of, value = '', unit = '', ward, scale, person, identifier, standing, why, decision }) => [
      measured,
      ward,
      scale,
      person,
      identifier,
      of,
      value,
      unit,
      standing,
      why,
      decision,
      `Observation/${id}`,
    ]),
  );
}
