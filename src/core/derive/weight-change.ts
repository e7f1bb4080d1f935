/** The difference between two weights of one person, in kilograms, in percent and for each day. */
import { decimal, divideHalfUp, multiply, subtract, type Decimal } from '../decimal.ts';
import { DAY_MS, HOUR_MS } from '../fhir-time.ts';

export interface WeightAt {
  readonly kg: Decimal;
  readonly atMs: number;
}

/** Each figure is negative for a loss. */
export interface WeightChange {
  /** Kilograms, exact. */
  readonly kg: Decimal;
  /** Percent of the earlier weight, one decimal, rounded half up (away from zero) once. */
  readonly percent: Decimal;
  /** Kilograms a day, two decimals, rounded half up once; absent when the weights are too close in time. */
  readonly kgPerDay?: Decimal;
}

const HUNDRED = decimal('100');

/**
 * The change from `earlier` to `current`. Undefined unless `earlier` is a positive weight from an
 * earlier instant.
 *
 * @param leastHours weights closer than this have no rate: two weighings of a morning that differ
 *   by one step of the scale would otherwise become kilograms a day
 */
export function weightChange(current: WeightAt, earlier: WeightAt, leastHours: number): WeightChange | undefined {
  const elapsedMs = current.atMs - earlier.atMs;
  if (elapsedMs <= 0 || earlier.kg.coefficient <= 0n) return undefined;
  const kg = subtract(current.kg, earlier.kg);
  const percent = divideHalfUp(multiply(kg, HUNDRED), earlier.kg, 1);
  if (elapsedMs < leastHours * HOUR_MS) return { kg, percent };
  return { kg, percent, kgPerDay: divideHalfUp(multiply(kg, whole(DAY_MS)), whole(elapsedMs), 2) };
}

function whole(value: number): Decimal {
  return { coefficient: BigInt(value), scale: 0 };
}
