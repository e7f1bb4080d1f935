/**
 * Amounts as a display shows them, and the BMI that ought to follow from two of them.
 *
 * The arithmetic is the simulator's own, on whole numbers, and shares nothing with the service:
 * otherwise a mistake there would be expected here.
 */
export type Unit = 'kg' | 'g' | '[lb_av]' | 'cm' | '[in_i]';

export interface Amount {
  /** As shown, with every digit: `70.0`. */
  readonly digits: string;
  readonly unit: Unit;
}

/** `count` steps of 1/10, written with one decimal: `tenths(700, 'kg')` is 70.0 kg. */
export function tenths(count: number, unit: Unit): Amount {
  return { digits: (count / 10).toFixed(1), unit };
}

/** Eighths of an inch: `65.125`, `65.5`, and `65.0` for a whole number. */
export function eighths(count: number, unit: Unit): Amount {
  return { digits: count % 8 === 0 ? `${count / 8}.0` : String(count / 8), unit };
}

/** Grams on an infant scale that shows kilograms with three decimals. */
export function gramsAsKilograms(grams: number): Amount {
  return { digits: (grams / 1000).toFixed(3), unit: 'kg' };
}

/** How the ward says it: `154.2 lb`, `65.125 in`. */
export function shown({ digits, unit }: Amount): string {
  return `${digits} ${unit === '[lb_av]' ? 'lb' : unit === '[in_i]' ? 'in' : unit}`;
}

/** Exact factors: UCUM, international pound (0.45359237 kg) and inch (2.54 cm), in 10^-8 kg and 10^-2 cm. */
const FACTOR: Readonly<Record<Unit, bigint>> = { kg: 100_000_000n, g: 100_000n, '[lb_av]': 45_359_237n, cm: 100n, '[in_i]': 254n };

/** The digits as a whole number of thousandths. */
function thousandths({ digits }: Amount): bigint {
  const [whole = '0', fraction = ''] = digits.split('.');
  return BigInt(whole + fraction.padEnd(3, '0'));
}

/** kg/m2 with one decimal, rounded half up once. */
export function bodyMassIndex(weight: Amount, height: Amount): string {
  const mass = thousandths(weight) * FACTOR[weight.unit]; // in 10^-11 kg
  const length = thousandths(height) * FACTOR[height.unit]; // in 10^-5 cm = 10^-7 m
  // mass 10^-11 / (length 10^-7)^2 = ratio 10^3 kg/m2, so tenths are ratio 10^4
  const doubled = (2n * mass * 10_000n) / (length * length);
  const inTenths = (doubled + 1n) / 2n;
  return `${inTenths / 10n}.${inTenths % 10n}`;
}

/** Pounds turned into kilograms with five decimals, as a gateway does that should not. */
export function convertedToKilograms({ digits }: Amount): Amount {
  const kilograms = (Number(digits) * 0.45359237).toFixed(5);
  return { digits: kilograms, unit: 'kg' };
}
