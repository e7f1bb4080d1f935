/**
 * What goes wrong with one measurement: each function gives the wrong one for the right one, or
 * undefined where the error cannot be made. The truth beside it stays as it was.
 */
import { tenths, type Amount } from '../../../examples/simulator/amount.ts';
import type { UnitCode } from '../../../src/core/quantity.ts';
import { INSTRUMENTS, inBase } from './instruments.ts';
import type { Random } from './random.ts';
import type { Measurement } from './series.ts';

export type Corruption = (right: Measurement, random: Random) => Measurement | undefined;

const KG_A_POUND = inBase('[lb_av]');
const CM_AN_INCH = inBase('[in_i]');

function relabelled({ digits }: Amount, unit: UnitCode): Amount {
  return { digits, unit };
}

/** Every amount of a weighing: what was shown, and gross and tare where there are such. */
function eachAmount(right: Measurement, change: (amount: Amount) => Amount): Measurement {
  const { shown, gross, tare } = right;
  if (gross === undefined || tare === undefined) return { ...right, shown: change(shown) };
  const [wrongGross, wrongTare] = [change(gross), change(tare)];
  const net = Number(wrongGross.digits) - Number(wrongTare.digits);
  return { ...right, shown: { digits: net.toFixed(1), unit: wrongGross.unit }, gross: wrongGross, tare: wrongTare };
}

/** A scale left switched to pounds (steps of 0.2 lb for 0.1 kg), or one of pounds whose numbers are charted as kilograms. */
export const poundsAsKilograms: Corruption = (right) => {
  if (right.shown.unit === '[lb_av]') return eachAmount(right, (amount) => relabelled(amount, 'kg'));
  if (right.shown.unit !== 'kg') return undefined;
  const { division } = INSTRUMENTS[right.instrument];
  const step = 2 * Number(division);
  const decimals = division.split('.')[1]?.length ?? 0;
  return eachAmount(right, ({ digits }) => ({
    digits: (Math.round(Number(digits) / KG_A_POUND / step) * step).toFixed(decimals),
    unit: 'kg',
  }));
};

export const kilogramsAsPounds: Corruption = (right) => {
  if (right.shown.unit === 'kg') return eachAmount(right, (amount) => relabelled(amount, '[lb_av]'));
  if (right.shown.unit !== '[lb_av]') return undefined;
  return eachAmount(right, ({ digits }) => ({ digits: (Number(digits) * KG_A_POUND).toFixed(1), unit: '[lb_av]' }));
};

/** As people write inches down, to the half; or the digits of a stadiometer in inches. */
export const inchesAsCentimetres: Corruption = (right) => {
  const { digits, unit } = right.shown;
  if (unit === '[in_i]') return { ...right, shown: relabelled(right.shown, 'cm') };
  return { ...right, shown: { digits: (Math.round((2 * Number(digits)) / CM_AN_INCH) / 2).toFixed(1), unit: 'cm' } };
};

export const centimetresAsInches: Corruption = (right) => {
  const { digits, unit } = right.shown;
  if (unit === 'cm') return { ...right, shown: relabelled(right.shown, '[in_i]') };
  return { ...right, shown: { digits: (Number(digits) * CM_AN_INCH).toFixed(1), unit: '[in_i]' } };
};

export const gramsAsKilograms: Corruption = (right) => {
  const { digits, unit } = right.shown;
  if (unit === 'g') return { ...right, shown: relabelled(right.shown, 'kg') };
  return { ...right, shown: { digits: (Number(digits) * 1000).toFixed(0), unit: 'kg' } };
};

/** 73.4 becomes 734, 165.25 becomes 1652.5. */
export const decimalPointRight: Corruption = (right) => ({ ...right, shown: shifted(right.shown, 1) });
/** 73.4 becomes 7.34, 165.25 becomes 16.525. */
export const decimalPointLeft: Corruption = (right) => ({ ...right, shown: shifted(right.shown, -1) });

function shifted({ digits, unit }: Amount, places: 1 | -1): Amount {
  const [whole = '0', fraction = ''] = digits.split('.');
  const all = places > 0 && fraction === '' ? `${whole}0` : whole + fraction;
  const point = whole.length + places;
  const before = all.slice(0, point).replace(/^0+(?=\d)/, '') || '0';
  const after = all.slice(point);
  return { digits: after === '' ? before : `${before}.${after}`, unit };
}

/** 172.7 cm becomes 72.7 cm. */
export const leadingOneDropped: Corruption = (right) => {
  const { digits, unit } = right.shown;
  return unit === 'cm' && /^1[1-9]\d\./.test(digits) ? { ...right, shown: { digits: digits.slice(1), unit } } : undefined;
};

/** Gross and tare are sent, but the weight is the gross. */
export const tareNotSubtracted: Corruption = (right) => (right.gross === undefined ? undefined : { ...right, shown: right.gross });

/** The platform had subtracted the chair already, so its net was taken for the gross. */
export const tareSubtractedTwice: Corruption = (right) => {
  if (right.tare === undefined) return undefined;
  const net = Math.round(10 * (Number(right.shown.digits) - Number(right.tare.digits)));
  return { ...right, shown: tenths(net, 'kg'), gross: right.shown };
};

/** Nothing is said of a chair, and the weight is the gross. */
export const tareMissing: Corruption = ({ gross, tare, ...right }) =>
  gross === undefined || tare === undefined ? undefined : { ...right, shown: gross };

const LINEN_TENTHS = 30;

export const linenNotZeroed: Corruption = (right) => ({
  ...right,
  shown: tenths(Math.round(10 * Number(right.shown.digits)) + LINEN_TENTHS, 'kg'),
});

/** Two neighbouring digits that differ change places: 73.4 becomes 37.4 or 74.3. */
export const digitsTransposed: Corruption = (right, random) => {
  const { digits, unit } = right.shown;
  const places = [...digits.matchAll(/\d/g)].map(({ index }) => index);
  const written = places.slice(1).flatMap((second, index) => {
    const first = places[index] as number;
    const between = digits.slice(first + 1, second);
    const swapped = digits.slice(0, first) + digits.charAt(second) + between + digits.charAt(first) + digits.slice(second + 1);
    return swapped === digits || /^0\d/.test(swapped) ? [] : [swapped];
  });
  return written.length === 0 ? undefined : { ...right, shown: { digits: random.pick(written), unit } };
};

/** By division: steps in which a display of it cannot show, how many of them, and how they are written. */
const BETWEEN: Readonly<Record<string, { readonly step: number; readonly most: number; readonly decimals: number }>> = {
  '0.1': { step: 0.01, most: 9, decimals: 2 },
  '0.25': { step: 0.05, most: 4, decimals: 2 },
  '0.01': { step: 0.001, most: 9, decimals: 3 },
  '0.005': { step: 0.001, most: 4, decimals: 3 },
  '5': { step: 1, most: 4, decimals: 0 },
};

/** A digit that the scale cannot show. */
export const impossibleDigit: Corruption = (right, random) => {
  const between = BETWEEN[INSTRUMENTS[right.instrument].division];
  if (between === undefined || right.gross !== undefined) return undefined;
  const { digits, unit } = right.shown;
  const value = Number(digits) + between.step * random.whole(1, between.most);
  return { ...right, shown: { digits: value.toFixed(between.decimals), unit } };
};

/** Converted on the way, with all the digits that arithmetic gives. */
export const convertedDigits: Corruption = (right) => {
  if (right.gross !== undefined) return undefined;
  const { digits, unit } = right.shown;
  if (unit === '[lb_av]') return { ...right, shown: { digits: (Number(digits) * KG_A_POUND).toFixed(5), unit: 'kg' } };
  return { ...right, shown: { digits: ((Number(digits) * inBase(unit)) / KG_A_POUND).toFixed(4), unit: '[lb_av]' } };
};
