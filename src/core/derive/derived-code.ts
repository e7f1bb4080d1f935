/**
 * How a figure that is computed from readings is coded: by a LOINC term where one exists and was
 * verified, else by a code of our own. Types and the address of our own codes only; each formula's
 * file holds its code.
 */
import { OURS, type SYSTEM } from '../terminology.ts';

/** Our own codes, for figures and inputs for which no LOINC term was found. */
export const DERIVED_SYSTEM = OURS.derivedSystem;

/** Lengths of one part of the body that a height can be estimated from. */
export type HeightEstimate = 'knee-height' | 'ulna-length' | 'demispan';

export interface DerivedCode {
  readonly system: typeof SYSTEM.loinc | typeof DERIVED_SYSTEM;
  readonly code: string;
  readonly display: string;
  /** UCUM code of the unit in which the figure is given. */
  readonly unit: 'm2' | 'kg' | 'cm' | 'kg/d' | '%' | 'd';
  /** Where the code was read, or that it is our own. */
  readonly source: string;
}
