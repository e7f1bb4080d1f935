/**
 * The decoded readings that rules and derivation work on, and the facts that surround one.
 * Types only: how wire shapes become these is `observation.ts`'s business.
 */
import type { Effective } from './fhir-time.ts';
import type { Policy } from './policy.ts';
import type { Quantity, UnitCode } from './quantity.ts';
import type { Decimal } from './decimal.ts';
import type { Basis, ClothingClass, Measured, Method, ObservationStatus, Position } from './terminology.ts';

/** One body weight or body height, decoded from an Observation that conforms. */
export interface Reading {
  /** Our Observation id, and the version this was decoded from. */
  readonly id: string;
  readonly version: number;
  readonly of: Measured;
  readonly basis: Basis;
  readonly status: ObservationStatus;
  /** Waits for a second weighing or a decision; never an input or a baseline. */
  readonly held: boolean;
  /** Absent when the Observation gives a data-absent reason instead. */
  readonly quantity?: Quantity;
  readonly effective: Effective;
  /** `Patient/{id}`, or `identifier:{system}|{value}` for a logical reference. */
  readonly person: string;
  /** How often it was filed for another Patient before, by an identifier that was put right since. */
  readonly moves?: number;
  /** `Device/{id}` or `identifier:{system}|{value}` of the measuring device. */
  readonly device?: string;
  readonly method?: Method;
  readonly clothing?: ClothingClass;
  readonly position?: Position;
  readonly gross?: Quantity;
  readonly tare?: Quantity;
  /**
   * Orders readings of one instant the same way in every history: the sender's own identifier,
   * else what was measured. Never the order of arrival.
   */
  readonly tieKey: string;
}

/** A reading that may feed BMI and be compared against: measured, valid, not waiting. */
export function isUsable(reading: Reading): reading is Reading & { readonly quantity: Quantity } {
  return (
    !reading.held &&
    reading.basis === 'measured' &&
    reading.quantity !== undefined &&
    (reading.status === 'final' || reading.status === 'amended' || reading.status === 'corrected')
  );
}

/** What the service has been told of the person. `known` is false when it has been told nothing. */
export interface PersonFacts {
  readonly key: string;
  readonly known: boolean;
  /** FHIR date, possibly to the year or month only. */
  readonly birthDate?: string;
  readonly sex?: 'male' | 'female' | 'other' | 'unknown';
  /** A logical reference that fits more than one Patient. */
  readonly ambiguous?: boolean;
}

/** What the service has been told of the measuring device. */
export interface DeviceFacts {
  readonly key: string;
  readonly known: boolean;
  readonly status?: 'active' | 'inactive' | 'entered-in-error' | 'unknown';
  /** The smallest step its display can show, in its own unit. */
  readonly division?: { readonly value: Decimal; readonly unit: UnitCode };
  readonly capacity?: { readonly value: Decimal; readonly unit: UnitCode };
  readonly defaultMethod?: Method;
  readonly defaultClothing?: ClothingClass;
}

/** A stored BMI Observation that stands or stood for one weight. */
export interface StandingBmi {
  readonly id: string;
  readonly version: number;
  readonly status: ObservationStatus;
  readonly weightId: string;
  readonly heightId: string;
  readonly valueText: string;
  readonly effectiveText: string;
}

/** Everything a judgement depends on, as values, so that each decision can be made again. */
export interface Context {
  readonly nowMs: number;
  readonly policy: Policy;
  /** The Observation id that the reading has or will get. */
  readonly id: string;
  /** The version that this writing will have; 1 when new. */
  readonly version: number;
  readonly person: PersonFacts;
  readonly device?: DeviceFacts;
  /** The person's other readings, current versions, this one excluded. */
  readonly history: readonly Reading[];
  /** The person's stored BMI Observations, whatever their status. */
  readonly standing: readonly StandingBmi[];
  /** The version that a correction replaces. */
  readonly replaces?: Pick<Reading, 'status' | 'held' | 'version' | 'person' | 'of' | 'moves'>;
  /** FHIR bases whose absolute references count as relative ones: ours and the EHR's. */
  readonly knownBases: readonly string[];
}
