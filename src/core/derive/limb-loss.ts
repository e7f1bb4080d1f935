/**
 * The weight that somebody would have with the limbs that are missing: an estimate, for formulas
 * that expect a whole body. The measured weight stays what it is.
 */
import { add, decimal, divideHalfUp, multiply, subtract, type Decimal } from '../decimal.ts';
import { inBaseUnit, type Quantity } from '../quantity.ts';
import { SYSTEM } from '../terminology.ts';
import type { DerivedCode } from './derived-code.ts';

export const WHOLE_BODY_WEIGHT_CODE: DerivedCode = {
  system: SYSTEM.loinc,
  code: '8335-2',
  display: 'Body weight Estimated',
  unit: 'kg',
  source: 'HL7 FHIR 6.0.0-ballot, ValueSet observation-vitalsign-bodyweight',
};

/** One limb, by how much of it is missing. */
export type LostSegment = 'hand' | 'forearm-and-hand' | 'whole-arm' | 'foot' | 'lower-leg-and-foot' | 'whole-leg';

interface SegmentRow {
  readonly limb: 'arm' | 'leg';
  /** Share of a whole body's weight, in percent. */
  readonly percent: string;
}

export const LOST_SEGMENTS: Readonly<Record<LostSegment, SegmentRow>> = {
  hand: { limb: 'arm', percent: '0.7' },
  'forearm-and-hand': { limb: 'arm', percent: '2.3' },
  'whole-arm': { limb: 'arm', percent: '5.0' },
  foot: { limb: 'leg', percent: '1.5' },
  'lower-leg-and-foot': { limb: 'leg', percent: '5.9' },
  'whole-leg': { limb: 'leg', percent: '16.0' },
};

/** The figures are from memory and as several dietetic pages quote them; the paper was not read. */
export const LOST_SEGMENTS_SOURCE = 'Osterkamp, J Am Diet Assoc 1995;95:215-218, figures from memory';

const LIMBS_OF_A_KIND = 2;
const HUNDRED = decimal('100');

/**
 * Kilograms, rounded half up once: measured weight / (1 - share missing), the shares of several
 * lost limbs added up. Undefined when none is lost or more than two arms or two legs are named.
 */
export function wholeBodyWeight(
  measured: Pick<Quantity, 'value' | 'unit'>,
  lost: readonly LostSegment[],
  decimals = 1,
): Decimal | undefined {
  if (lost.length === 0 || countOf('arm', lost) > LIMBS_OF_A_KIND || countOf('leg', lost) > LIMBS_OF_A_KIND) return undefined;
  return divideHalfUp(multiply(inBaseUnit(measured), HUNDRED), subtract(HUNDRED, percentMissing(lost)), decimals);
}

/** Percent of a whole body's weight that the lost segments would have. */
export function percentMissing(lost: readonly LostSegment[]): Decimal {
  return lost.map((segment) => decimal(LOST_SEGMENTS[segment].percent)).reduce(add, decimal('0'));
}

function countOf(limb: SegmentRow['limb'], lost: readonly LostSegment[]): number {
  return lost.filter((segment) => LOST_SEGMENTS[segment].limb === limb).length;
}
