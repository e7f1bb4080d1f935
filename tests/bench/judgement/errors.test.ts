/** Each injected error says something wrong, and changes what it says and nothing else. */
import { describe, expect, it } from 'vitest';
import type { Amount, Unit } from '../../../examples/simulator/amount.ts';
import type { JsonValue } from '../../../src/core/json.ts';
import { isJsonObject, stringifyExact } from '../../../src/core/json.ts';
import { arrived } from '../../arrived.ts';
import * as wrong from './corruptions.ts';
import { attemptIn, ERROR_KINDS, laterPlaces, type Attempt, type ErrorKind } from './errors.ts';
import type { InstrumentName } from './instruments.ts';
import { MODELS } from './model.ts';
import { seededRandom } from './random.ts';
import { GROUPS, toObservation, type Group, type Measurement, type Series } from './series.ts';

function amount(text: string): Amount {
  const [digits = '', unit = ''] = text.split(' ');
  return { digits, unit: unit as Unit };
}

function measurement(shown: string, changes: Partial<Measurement> = {}): Measurement {
  const unit = amount(shown).unit;
  const scales: Partial<Record<Unit, InstrumentName>> = {
    kg: 'standing-1',
    '[lb_av]': 'standing-lb-1',
    g: 'infant-in-g',
    cm: 'stadiometer',
  };
  return {
    key: 'k',
    person: 'p',
    of: unit === 'cm' || unit === '[in_i]' ? 'height' : 'weight',
    atMs: 0,
    instrument: scales[unit] ?? 'stadiometer-in',
    shown: amount(shown),
    truth: { body: 70, worn: 0 },
    ...changes,
  };
}

const IN_CHAIR = { instrument: 'platform', gross: amount('90.0 kg'), tare: amount('20.0 kg') } as const;

describe('a wrong value', () => {
  it.each<[string, wrong.Corruption, string, string | undefined, Partial<Measurement>?]>([
    ['pounds of a switched scale', wrong.poundsAsKilograms, '70.0 kg', '154.4 kg'],
    ['pounds of a pound scale', wrong.poundsAsKilograms, '165.25 [lb_av]', '165.25 kg'],
    ['pounds of an infant scale', wrong.poundsAsKilograms, '3.455 kg', '7.620 kg', { instrument: 'infant-5g' }],
    ['pounds of a scale in grams', wrong.poundsAsKilograms, '3455 g', undefined],
    ['pounds with a wheelchair', wrong.poundsAsKilograms, '70.0 kg', '154.4 kg', IN_CHAIR],
    ['kilograms as pounds', wrong.kilogramsAsPounds, '73.4 kg', '73.4 [lb_av]'],
    ['kilograms of a pound scale', wrong.kilogramsAsPounds, '165.25 [lb_av]', '75.0 [lb_av]'],
    ['inches typed', wrong.inchesAsCentimetres, '172.7 cm', '68.0 cm'],
    ['inches read', wrong.inchesAsCentimetres, '68.125 [in_i]', '68.125 cm'],
    ['centimetres read', wrong.centimetresAsInches, '172.7 cm', '172.7 [in_i]'],
    ['centimetres typed', wrong.centimetresAsInches, '68.0 [in_i]', '172.7 [in_i]'],
    ['grams of kilograms', wrong.gramsAsKilograms, '3.455 kg', '3455 kg'],
    ['grams of grams', wrong.gramsAsKilograms, '3455 g', '3455 kg'],
    ['point to the right', wrong.decimalPointRight, '73.4 kg', '734 kg'],
    ['point to the right', wrong.decimalPointRight, '165.25 [lb_av]', '1652.5 [lb_av]'],
    ['point to the right', wrong.decimalPointRight, '3455 g', '34550 g'],
    ['point to the left', wrong.decimalPointLeft, '73.4 kg', '7.34 kg'],
    ['point to the left', wrong.decimalPointLeft, '3.455 kg', '0.3455 kg'],
    ['point to the left', wrong.decimalPointLeft, '3455 g', '345.5 g'],
    ['1 dropped', wrong.leadingOneDropped, '172.7 cm', '72.7 cm'],
    ['1 dropped of a small child', wrong.leadingOneDropped, '92.7 cm', undefined],
    ['1 dropped of inches', wrong.leadingOneDropped, '68.125 [in_i]', undefined],
    ['chair left in', wrong.tareNotSubtracted, '70.0 kg', '90.0 kg', IN_CHAIR],
    ['no chair to leave in', wrong.tareNotSubtracted, '70.0 kg', undefined],
    ['chair off twice', wrong.tareSubtractedTwice, '70.0 kg', '50.0 kg', IN_CHAIR],
    ['chair unheard of', wrong.tareMissing, '70.0 kg', '90.0 kg', IN_CHAIR],
    ['linen', wrong.linenNotZeroed, '70.0 kg', '73.0 kg'],
    ['digits exchanged, none differ', wrong.digitsTransposed, '77.7 kg', undefined],
    ['digits exchanged, one way', wrong.digitsTransposed, '77.5 kg', '75.7 kg'],
    ['digits exchanged, no zero first', wrong.digitsTransposed, '70.0 kg', undefined],
    ['converted', wrong.convertedDigits, '165.25 [lb_av]', '74.95614 kg'],
    ['converted', wrong.convertedDigits, '70.0 kg', '154.3236 [lb_av]'],
  ])('%s', (_, corrupt, right, expected, changes) => {
    const before = measurement(right, changes);
    const after = corrupt(before, seededRandom(1));
    expect(after && `${after.shown.digits} ${after.shown.unit}`).toBe(expected);
    expect(after?.truth ?? before.truth).toBe(before.truth);
  });

  it('exchanges any two neighbouring digits', () => {
    const random = seededRandom(2);
    const seen = new Set(Array.from({ length: 60 }, () => wrong.digitsTransposed(measurement('73.4 kg'), random)?.shown.digits));
    expect([...seen].sort()).toEqual(['37.4', '74.3']);
  });

  it.each([
    ['73.4 kg', 'standing-1', /^73\.4[1-9]$/],
    ['165.25 [lb_av]', 'standing-lb-1', /^165\.(30|35|40|45)$/],
    ['3.455 kg', 'infant-5g', /^3\.45[6-9]$/],
    ['3.45 kg', 'infant-10g', /^3\.45[1-9]$/],
    ['3455 g', 'infant-in-g', /^345[6-9]$/],
  ] as const)('has a digit between two of the display: %s on %s', (right, instrument, pattern) => {
    const random = seededRandom(3);
    for (let time = 0; time < 20; time += 1) {
      expect(wrong.impossibleDigit(measurement(right, { instrument }), random)?.shown.digits).toMatch(pattern);
    }
  });

  it('keeps gross, tare and net in step when a whole scale is in pounds', () => {
    const { shown, gross, tare } = wrong.poundsAsKilograms(measurement('70.0 kg', IN_CHAIR), seededRandom(1)) as Measurement;
    expect([gross, tare, shown]).toEqual([amount('198.4 kg'), amount('44.0 kg'), amount('154.4 kg')]);
  });

  it('says of a chair subtracted twice that the net was the gross', () => {
    expect(wrong.tareSubtractedTwice(measurement('70.0 kg', IN_CHAIR), seededRandom(1))).toMatchObject({
      gross: amount('70.0 kg'),
      tare: amount('20.0 kg'),
    });
  });
});

/** Paths of leaves in which two JSON trees differ. */
function differences(a: JsonValue | undefined, b: JsonValue | undefined, path = ''): string[] {
  if (a !== undefined && b !== undefined && (isJsonObject(a) || Array.isArray(a)) && (isJsonObject(b) || Array.isArray(b))) {
    const [left, right] = [a, b] as [Record<string, JsonValue>, Record<string, JsonValue>];
    return [...new Set([...Object.keys(left), ...Object.keys(right)])].flatMap((key) =>
      differences(left[key], right[key], `${path}.${key}`),
    );
  }
  return stringifyExact(a ?? null) === stringifyExact(b ?? null) ? [] : [path.slice(1)];
}

const VALUE = /^valueQuantity\./;
const LOADS = /^(valueQuantity\.|component\.\d+(\.|$)|component$)/;
const TIME = /^effectiveDateTime$/;
const NAME = /^identifier\.0\.value$/;

/** What an error may change in the Observation that it replaces. */
const CHANGES: Partial<Record<ErrorKind, readonly RegExp[]>> = {
  'pounds-as-kilograms': [VALUE, LOADS],
  'kilograms-as-pounds': [VALUE, LOADS],
  'other-person': [LOADS],
  'tare-subtracted-twice': [VALUE, LOADS],
  'tare-missing': [VALUE, LOADS],
  'carried-forward': [LOADS, /^device\.reference$/],
  'double-press': [TIME, NAME],
  'time-in-future': [TIME],
  'zero-check-expired': [],
  'calibration-overdue': [],
  'scale-in-quarantine': [],
};

/** Where an error can be made; everywhere unless said. */
const ONLY_IN: Partial<Record<ErrorKind, readonly Group[]>> = {
  'inches-as-centimetres': ['healthy-adults', 'healthy-extremes', 'growing-children', 'infants'],
  'centimetres-as-inches': ['healthy-adults', 'healthy-extremes', 'growing-children', 'infants'],
  'weight-and-height-exchanged': ['healthy-adults', 'healthy-extremes', 'growing-children', 'infants'],
  'height-leading-one-dropped': ['healthy-adults', 'healthy-extremes', 'growing-children'],
  'grams-as-kilograms': ['infants'],
  'other-person': GROUPS.filter((group) => group !== 'in-bed'),
  'tare-not-subtracted': ['wheelchair'],
  'tare-subtracted-twice': ['wheelchair'],
  'tare-missing': ['wheelchair'],
  'linen-not-zeroed': ['in-bed'],
  'impossible-digit': GROUPS.filter((group) => group !== 'wheelchair'),
  'converted-digits': GROUPS.filter((group) => group !== 'wheelchair'),
};

/** Attempts of one kind in some series of a group. */
function attempts(kind: ErrorKind, group: Group): Attempt[] {
  const people = Array.from({ length: 8 }, (_, index) => MODELS[group](1, index + 1));
  return people.flatMap((series, index) => {
    const neighbour = people[(index + 1) % people.length] as Series;
    return attemptIn(kind, series, { seed: 1, neighbour, random: seededRandom(kind, index) }) ?? [];
  });
}

describe.each(ERROR_KINDS)('%s', (kind) => {
  const all = GROUPS.flatMap((group) => attempts(kind, group));

  it('is made where it can be made', () => {
    expect([...new Set(all.map(({ series }) => series.group))].sort()).toEqual([...(ONLY_IN[kind] ?? GROUPS)].sort());
  });

  it('is made the same way every time', () => {
    expect(attempts(kind, 'healthy-adults')).toEqual(attempts(kind, 'healthy-adults'));
  });

  it('comes after earlier measurements of its measure', () => {
    for (const { series, index } of all) {
      const { of } = series.measurements[index] as Measurement;
      expect(series.measurements.slice(0, index).filter((earlier) => earlier.of === of).length).toBeGreaterThanOrEqual(
        of === 'weight' ? 2 : 1,
      );
      expect(laterPlaces(kind, series)).toContain(index);
    }
  });

  it('changes what it says and nothing else, and the truth stays', () => {
    for (const { series, index, sent, puts } of all) {
      const right = series.measurements[index] as Measurement;
      const [said] = sent.filter(({ isWrong }) => isWrong);
      if (said === undefined) throw new Error('nothing wrong is sent');
      const [before, after] = [right, said.measurement].map((one) => arrived(toObservation(one)).tree);
      const changed = differences(before, after);
      const allowed = CHANGES[kind] ?? [VALUE];
      expect(changed.filter((path) => !allowed.some((pattern) => pattern.test(path)))).toEqual([]);
      if (allowed.length > 0 && kind !== 'carried-forward' && kind !== 'other-person') expect(changed).not.toEqual([]);
      expect(puts.length > 0).toBe(allowed.length === 0);
      expect(said.measurement.truth).toBe(right.truth);
    }
  });
});

describe('an exchange of labels', () => {
  it("gives each person the other's weight on the same scale, two minutes apart", () => {
    for (const { series, index, sent } of attempts('other-person', 'healthy-adults')) {
      const right = series.measurements[index] as Measurement;
      const [theirs, ours] = sent.map(({ measurement: one }) => one) as [Measurement, Measurement];
      expect(theirs.person).toBe(right.person);
      expect(ours.person).not.toBe(right.person);
      expect(ours.shown).toEqual(right.shown);
      expect(ours.atMs - theirs.atMs).toBe(120_000);
      expect([theirs.instrument, ours.instrument]).toEqual([right.instrument, right.instrument]);
    }
  });
});

describe('an exchange of weight and height', () => {
  it('sends both of a visit, each with the digits of the other and its own unit', () => {
    for (const { series, index, sent, replaces } of attempts('weight-and-height-exchanged', 'growing-children')) {
      const [height, weight] = series.measurements.slice(index, index + 2) as [Measurement, Measurement];
      expect(replaces).toBe(2);
      expect(sent.map(({ measurement: { of, shown } }) => [of, shown])).toEqual([
        ['height', { digits: weight.shown.digits, unit: 'cm' }],
        ['weight', { digits: height.shown.digits, unit: 'kg' }],
      ]);
    }
  });
});

describe('a second press', () => {
  it('follows the right one within seconds', () => {
    for (const { sent } of attempts('double-press', 'dialysis')) {
      expect(sent.map(({ isWrong }) => isWrong)).toEqual([false, true]);
      const [first, second] = sent.map(({ measurement: { atMs } }) => atMs) as [number, number];
      expect(second - first).toBeGreaterThanOrEqual(2000);
      expect(second - first).toBeLessThanOrEqual(20_000);
    }
  });
});
