/**
 * The errors that are injected: where in a series each can happen, what is sent then instead of the
 * right measurement, and what is told of the scale before.
 *
 * How often each happens at bedsides is no part of this; the kinds are those of the Pennsylvania
 * Patient Safety Authority's reports (unit confusion first), Lin et al., JAMIA Open 2022;5:ooac089
 * (carried forward, duplicate), and common practice.
 */
import { tenths } from '../../../examples/simulator/amount.ts';
import type { Measured } from '../../../src/core/terminology.ts';
import * as wrong from './corruptions.ts';
import { deviceOf, instrument, metricOf } from './instruments.ts';
import type { Random } from './random.ts';
import { checksBefore, DAY_MS, HOUR_MS, type Measurement, type Put, type Series } from './series.ts';

export interface Sent {
  readonly measurement: Measurement;
  /** When the service gets it; its own clock says so. */
  readonly receivedMs: number;
  readonly isWrong: boolean;
}

export interface Injection {
  /** Told to the service just before. */
  readonly puts: readonly Put[];
  /** Sent in this order in the place of `replaces` measurements from the place on. */
  readonly sent: readonly Sent[];
  readonly replaces: number;
}

/** Measurement number `index` of a series, and who is weighed on the same scales. */
export interface Place {
  readonly series: Series;
  readonly index: number;
  readonly neighbour?: Series;
  readonly seed: number;
  readonly random: Random;
}

interface ErrorRow {
  readonly means: string;
  /** What is measured wrong; there are earlier measurements of it. */
  readonly of: Measured;
  /** Undefined where the error cannot be made. */
  inject(place: Place): Injection | undefined;
}

const MINUTE_MS = 60_000;

/** Measured and received half a minute apart. */
export function received({ atMs }: Pick<Measurement, 'atMs'>): number {
  return atMs + MINUTE_MS / 2;
}

function rightOf({ series, index }: Place): Measurement {
  return series.measurements[index] as Measurement;
}

function instead(right: Measurement, sent: Measurement | undefined, puts: readonly Put[] = []): Injection | undefined {
  return sent && { puts, sent: [{ measurement: sent, receivedMs: received(right), isWrong: true }], replaces: 1 };
}

function value(of: Measured, means: string, corrupt: wrong.Corruption): ErrorRow {
  return { of, means, inject: (place) => instead(rightOf(place), corrupt(rightOf(place), place.random)) };
}

/** The reading is right, and the scale is not fit for use. */
function scale(means: string, puts: (right: Measurement) => readonly Put[]): ErrorRow {
  return { of: 'weight', means, inject: (place) => instead(rightOf(place), rightOf(place), puts(rightOf(place))) };
}

function lastWeight({ measurements }: Series, beforeMs: number): Measurement | undefined {
  return measurements.filter(({ of, atMs }) => of === 'weight' && atMs < beforeMs).at(-1);
}

/** Both measurements of a visit, the height first, each with the other's number. */
function exchangedVisit(place: Place): Injection | undefined {
  const { series, index } = place;
  const [height, weight] = [rightOf(place), series.measurements[index + 1]];
  if (weight?.of !== 'weight' || weight.atMs - height.atMs > HOUR_MS / 4 || weight.gross !== undefined) return undefined;
  const sent = [
    { ...height, shown: { ...height.shown, digits: weight.shown.digits } },
    { ...weight, shown: { ...weight.shown, digits: height.shown.digits } },
  ];
  return { puts: [], sent: sent.map((measurement) => ({ measurement, receivedMs: received(measurement), isWrong: true })), replaces: 2 };
}

/** Two people were weighed within minutes on one scale, and each got the other's number. */
function exchangedLabels(place: Place): Injection | undefined {
  const { neighbour, series, seed, random } = place;
  const right = rightOf(place);
  const other = neighbour && lastWeight(neighbour, right.atMs);
  if (neighbour === undefined || other === undefined || series.group === 'in-bed') return undefined;
  const theirs: Measurement = { ...right, ...weighedAgain(other, right, seed, random) };
  const ours: Measurement = {
    ...right,
    key: `${right.key}-exchanged`,
    person: other.person,
    atMs: right.atMs + 2 * MINUTE_MS,
    truth: other.truth,
  };
  return {
    puts: [],
    sent: [theirs, ours].map((measurement) => ({ measurement, receivedMs: received(measurement), isWrong: true })),
    replaces: 1,
  };
}

/** What the scale of `right` shows when the person of `other` stands on it soon after. */
function weighedAgain(other: Measurement, right: Measurement, seed: number, random: Random): Pick<Measurement, 'shown' | 'gross' | 'tare'> {
  if (other.gross !== undefined && other.tare !== undefined) {
    const [gross, tare] = [other.gross, other.tare].map(({ digits }) => Math.round(10 * Number(digits))) as [number, number];
    const now = gross + random.whole(-5, 5);
    return { shown: tenths(now - tare, 'kg'), gross: tenths(now, 'kg'), tare: other.tare };
  }
  return { shown: instrument(seed, right.instrument).show(other.truth.body + other.truth.worn, random) };
}

/** The last weight once more, as of now. */
function carriedForward(place: Place): Injection | undefined {
  const right = rightOf(place);
  const earlier = lastWeight(place.series, right.atMs);
  if (earlier === undefined) return undefined;
  const { shown, gross, tare, instrument: name } = earlier;
  return instead(right, { ...right, instrument: name, shown, ...(gross && { gross }), ...(tare && { tare }) });
}

/** The button was pressed twice: the same again seconds later, under another identifier. */
function pressedTwice(place: Place): Injection {
  const right = rightOf(place);
  const again = { ...right, key: `${right.key}-again`, atMs: right.atMs + 1000 * place.random.whole(2, 20) };
  return {
    puts: [],
    sent: [
      { measurement: right, receivedMs: received(right), isWrong: false },
      { measurement: again, receivedMs: received(again), isWrong: true },
    ],
    replaces: 1,
  };
}

export const ERRORS = {
  'pounds-as-kilograms': value('weight', 'pounds charted as kilograms', wrong.poundsAsKilograms),
  'kilograms-as-pounds': value('weight', 'kilograms charted as pounds', wrong.kilogramsAsPounds),
  'inches-as-centimetres': value('height', 'inches charted as centimetres', wrong.inchesAsCentimetres),
  'centimetres-as-inches': value('height', 'centimetres charted as inches', wrong.centimetresAsInches),
  'grams-as-kilograms': {
    ...value('weight', 'grams charted as kilograms (infants)', wrong.gramsAsKilograms),
    inject: (place) =>
      place.series.group === 'infants' ? instead(rightOf(place), wrong.gramsAsKilograms(rightOf(place), place.random)) : undefined,
  },
  'decimal-point-right': value('weight', 'decimal point one place to the right, or left out', wrong.decimalPointRight),
  'decimal-point-left': value('weight', 'decimal point one place to the left', wrong.decimalPointLeft),
  'weight-and-height-exchanged': { of: 'height', means: 'weight and height of a visit exchanged', inject: exchangedVisit },
  'height-leading-one-dropped': value('height', 'leading 1 of a height left out', wrong.leadingOneDropped),
  'other-person': { of: 'weight', means: 'labels of two people exchanged who were weighed within minutes', inject: exchangedLabels },
  'tare-not-subtracted': value('weight', 'wheelchair sent as tare, and not subtracted', wrong.tareNotSubtracted),
  'tare-subtracted-twice': value('weight', 'wheelchair subtracted from what was net already', wrong.tareSubtractedTwice),
  'tare-missing': value('weight', 'wheelchair neither sent nor subtracted', wrong.tareMissing),
  'linen-not-zeroed': {
    of: 'weight',
    means: '3 kg of linen put on the bed after its zero',
    inject: (place) =>
      place.series.group === 'in-bed' ? instead(rightOf(place), wrong.linenNotZeroed(rightOf(place), place.random)) : undefined,
  },
  'digits-transposed': value('weight', 'two digits exchanged', wrong.digitsTransposed),
  'carried-forward': { of: 'weight', means: 'the last weight sent again as of now', inject: carriedForward },
  'double-press': { of: 'weight', means: 'the same weight again within seconds', inject: pressedTwice },
  'impossible-digit': value('weight', 'a digit that the scale cannot show', wrong.impossibleDigit),
  'converted-digits': value('weight', 'converted to the other unit with all its digits', wrong.convertedDigits),
  'zero-check-expired': scale('zero last checked 45 days ago', ({ instrument: name, atMs }) => [
    { type: 'DeviceMetric', resource: metricOf(name, { ...checksBefore(atMs), zeroMs: atMs - 45 * DAY_MS }) },
  ]),
  'calibration-overdue': scale('calibrated 800 days ago', ({ instrument: name, atMs }) => [
    { type: 'DeviceMetric', resource: metricOf(name, { ...checksBefore(atMs), gainMs: atMs - 800 * DAY_MS }) },
  ]),
  'scale-in-quarantine': scale('the scale is registered as out of use', ({ instrument: name }) => [
    { type: 'Device', resource: { ...deviceOf(name), status: 'inactive' } },
  ]),
  'time-in-future': {
    of: 'weight',
    means: 'clock of the gateway 10 minutes to 48 hours ahead',
    inject: (place) => {
      const right = rightOf(place);
      return instead(right, { ...right, atMs: right.atMs + MINUTE_MS * place.random.whole(10, 48 * 60) });
    },
  },
} as const satisfies Record<string, ErrorRow>;

export type ErrorKind = keyof typeof ERRORS;
export const ERROR_KINDS = Object.keys(ERRORS) as ErrorKind[];

const FEWEST_EARLIER: Readonly<Record<Measured, number>> = { weight: 2, height: 1 };

/** Indexes of the later measurements that an error could be made of: those with earlier ones of their measure. */
export function laterPlaces(kind: ErrorKind, { measurements }: Series): number[] {
  const { of } = ERRORS[kind];
  const all = measurements.flatMap((measurement, index) => (measurement.of === of ? [index] : []));
  return all.slice(FEWEST_EARLIER[of]);
}

export interface Attempt extends Injection {
  readonly kind: ErrorKind;
  readonly series: Series;
  readonly index: number;
}

/** One error of this kind at a random later place; undefined when the series has no place for it. */
export function attemptIn(kind: ErrorKind, series: Series, around: Omit<Place, 'series' | 'index'>): Attempt | undefined {
  const places = laterPlaces(kind, series);
  while (places.length > 0) {
    const [index] = places.splice(around.random.whole(0, places.length - 1), 1) as [number];
    const injection = ERRORS[kind].inject({ ...around, series, index });
    if (injection) return { ...injection, kind, series, index };
  }
  return undefined;
}
