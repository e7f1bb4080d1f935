/**
 * What changed between two measurements of one person: absolute, in percent, per day. Limits are
 * compared by cross-multiplication on exact decimals, never on a rounded percentage.
 */
import { ageBand, type AgeBand } from '../age-bands.ts';
import { compare, decimal, divideHalfUp, isNegative, multiply, subtract, toText, type Decimal } from '../decimal.ts';
import type { UsableReading } from '../derive/bmi.ts';
import { ageAt, DAY_MS } from '../fhir-time.ts';
import { inBaseUnit } from '../quantity.ts';
import type { PersonFacts } from '../reading.ts';

const HUNDRED = decimal('100');
const MINUS_ONE = decimal('-1');
/** Under this interval a change per day says more about the clock than about the person. */
const SHORTEST_FOR_RATE_MS = DAY_MS / 2;

export interface Change {
  readonly previous: UsableReading;
  /** Now less before, in kg or cm. */
  readonly difference: Decimal;
  /** The value before, in kg or cm. */
  readonly from: Decimal;
  readonly intervalMs: number;
  /** How old the person was at the previous one. */
  readonly bandBefore: AgeBand;
}

export function changeSince(previous: UsableReading, reading: UsableReading, { birthDate }: Pick<PersonFacts, 'birthDate'>): Change {
  const from = inBaseUnit(previous.quantity);
  return {
    previous,
    from,
    difference: subtract(inBaseUnit(reading.quantity), from),
    bandBefore: ageBand(birthDate === undefined ? undefined : ageAt(birthDate, previous.effective.startMs)),
    intervalMs: reading.effective.startMs - previous.effective.startMs,
  };
}

export function magnitude(value: Decimal): Decimal {
  return isNegative(value) ? multiply(value, MINUS_ONE) : value;
}

/** Is `value` more than so many percent of `whole`? Equal is not more. */
export function isMoreThanPercent(value: Decimal, whole: Decimal, percent: string): boolean {
  return compare(multiply(magnitude(value), HUNDRED), multiply(whole, decimal(percent))) > 0;
}

/** With its sign and one decimal, rounded half up: `-4.4`. */
export function percentText({ difference, from }: Pick<Change, 'difference' | 'from'>): string {
  return signed(divideHalfUp(multiply(difference, HUNDRED), from, 1));
}

/** kg or cm a day with its sign, two decimals; undefined when less than half a day lies between. */
export function perDayText({ difference, intervalMs }: Change): string | undefined {
  if (intervalMs < SHORTEST_FOR_RATE_MS) return undefined;
  const days = { coefficient: BigInt(intervalMs), scale: 0 };
  return signed(divideHalfUp(multiply(difference, decimal(String(DAY_MS))), days, 2));
}

/** Rounded half up to so many decimals, with a plus where it is more than zero. */
export function signed(value: Decimal): string {
  return value.coefficient > 0n ? `+${toText(value)}` : toText(value);
}

/** `3 days`, `5 hours`, `20 minutes`: as long as a person would say it. */
export function intervalWords(intervalMs: number): string {
  const minutes = Math.round(Math.abs(intervalMs) / 60_000);
  if (minutes < 120) return minutes === 1 ? '1 minute' : `${minutes} minutes`;
  const hours = Math.round(minutes / 60);
  return hours < 48 ? `${hours} hours` : `${Math.round(hours / 24)} days`;
}
