/**
 * The decoded readings that rules and derivation work on, and the facts that surround one.
 * Types only: how wire shapes become these is `observation.ts`'s business.
 */
import type * as fhir4 from 'fhir/r4.js';
import type { ScaleCheck } from './calibration.ts';
import type { Condition } from './conditions.ts';
import type { HeightEstimate } from './derive/derived-code.ts';
import type { Effective } from './fhir-time.ts';
import type { GrowthTables } from './growth/tables.ts';
import type { Policy } from './policy.ts';
import type { Quantity, UnitCode } from './quantity.ts';
import type { Decimal } from './decimal.ts';
import type { TareKind } from './tare-kinds.ts';
import type { Method } from './methods.ts';
import type { Basis, ClothingClass, Measured, ObservationStatus, Position } from './terminology.ts';

/** One body weight or body height, decoded from an Observation that conforms. */
export interface Reading {
  /** Our Observation id, and the version this was decoded from. */
  readonly id: string;
  readonly version: number;
  readonly of: Measured;
  readonly basis: Basis;
  /** As its sender gave it, also while it is held. */
  readonly status: ObservationStatus;
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
  /** What its sender says that the number stands on: sorted, each once, absent when nothing was said. */
  readonly conditions?: readonly Condition[];
  /** A length from which the height is estimated, on a height without a value. */
  readonly limb?: { readonly estimate: HeightEstimate; readonly length: Quantity };
  readonly gross?: Quantity;
  readonly tare?: Quantity;
  /** Keys of the chairs, cushions and slings whose mass was subtracted, in the order of their names. */
  readonly tareDevices?: readonly string[];
  /** The smallest step of its scale in kg or cm, as text. */
  readonly division?: string;
  /** Somebody decided that it counts, whatever the rules say. */
  readonly kept?: true;
  /** The one decision that was made of it. */
  readonly decided?: Decided;
  /** What can be taken back, as long as nothing but its neighbours has changed it since; see `undo.ts`. */
  readonly lastDecision?: LastDecision;
  /** When its last decision was taken back: a FHIR instant. */
  readonly undone?: string;
  /** When somebody asked for a second weighing: a FHIR instant. */
  readonly askedAgain?: string;
  /** When somebody named the person of a reading that arrived without one: a FHIR instant. */
  readonly claimedAt?: string;
  /** Our id of the Observation under which it stood for another person. */
  readonly movedFrom?: string;
  /** Its scale was found wrong: it is no baseline and feeds no comparison, and its BMI is marked. */
  readonly flagged?: true;
  /** Ids of the rules that hold it for what it says itself. */
  readonly doubts?: readonly string[];
  /** Others who were weighed on the same scale within minutes and whose last weight this one fits. */
  readonly mistakenFor?: readonly OtherPerson[];
  /** What the person's other readings make of it, see `serial/judge.ts`. */
  readonly held: boolean;
  readonly repeatOf?: string;
  readonly releasedBy?: string;
  readonly comparison?: Comparison;
  /** The published thresholds of significant change that it reaches, in their order. */
  readonly significant?: readonly ReachedThreshold[];
  /**
   * Orders readings of one instant the same way in every history: the sender's own identifier,
   * else what was measured. Never the order of arrival.
   */
  readonly tieKey: string;
}

/** What a person may decide of a held reading, see `decision.ts`. */
export type DecisionCode = 'keep' | 'correct' | 'wrong-person' | 'discard' | 'weigh-again';

export interface Decided {
  readonly as: Exclude<DecisionCode, 'weigh-again'>;
  /** FHIR instant. */
  readonly at: string;
  /** Our id of the Observation that stands for the right person. */
  readonly movedTo?: string;
}

/** The decision that its current version stands on. */
export interface LastDecision {
  readonly as: DecisionCode;
  /** FHIR instant. */
  readonly at: string;
  /** The version that it wrote. */
  readonly version: number;
  /** What it sends to the EHR, and all that can rest on it, has greater outbox numbers. */
  readonly afterItem: number;
}

/** A version that is written because somebody said so, and not its sender. */
export interface Instruction {
  readonly as: DecisionCode | 'claim' | 'undo';
  readonly at: string;
  readonly who: fhir4.Reference;
  readonly reason: string;
  readonly movedTo?: string;
  readonly movedFrom?: string;
  /** Of a decision: see `LastDecision`. */
  readonly afterItem?: number;
}

/** Somebody else whose weight this could be: no name, no id of a person. */
export interface OtherPerson {
  /** The Observation of the other person on the same scale. */
  readonly observation: string;
  readonly minutesApart: number;
  /** How far this weight lies from the other person's last one, in kg, as text. */
  readonly differenceKg: string;
}

/** Why two weights do not compare. */
export type Incomparable =
  | 'other-scale'
  | 'other-method'
  | 'other-clothing'
  | 'other-tare'
  | 'other-time-of-day'
  | 'other-condition'
  | 'scale-not-known'
  | 'method-not-known'
  | 'clothing-not-known'
  | 'time-not-known';

/** A weight against the one before it; amounts are texts of exact decimals with their sign. */
export interface Comparison {
  /** Observation id of the last accepted weight. */
  readonly previous: string;
  /** Empty when the two compare. */
  readonly reasons: readonly Incomparable[];
  readonly changeKg: string;
  readonly changePercent: string;
  /** Absent when too little time lies between. */
  readonly changePerDayKg?: string;
  /** The last accepted weight that does compare, where that is another one. */
  readonly lastComparable?: string;
}

/** A weight that reaches a threshold of `derive/change-thresholds.ts`, by id, against an earlier weight. */
export interface ReachedThreshold {
  readonly threshold: string;
  /** Observation id of the earlier weight. */
  readonly earlier: string;
}

/** A reading that may feed BMI and be compared against: measured, valid, not waiting. */
export function isUsable(reading: Reading): reading is Reading & { readonly quantity: Quantity } {
  return !reading.held && reading.repeatOf === undefined && isMeasured(reading);
}

/** A measured value that its sender vouches for, whatever the other readings make of it. */
export function isMeasured(reading: Reading): reading is Reading & { readonly quantity: Quantity } {
  return (
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
  /** Masses of the chairs, cushions and slings that are registered as this person's. */
  readonly chairs?: readonly Quantity[];
  /** Key of the ward that the person is on. */
  readonly ward?: string;
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
  /** Key of the Location where it stands. */
  readonly location?: string;
  readonly defaultMethod?: Method;
  readonly defaultClothing?: ClothingClass;
  /** Key of the ward that it stands on. */
  readonly ward?: string;
  /** Zero checks and calibrations of its meters, in no order. */
  readonly checks?: readonly ScaleCheck[];
}

/** What the service has been told of a chair, cushion, sling or linen that a reading names. */
export interface TareFacts {
  /** `Device/{id}`, `identifier:{system}|{value}`, or `unresolved` for a reference that leads nowhere. */
  readonly key: string;
  readonly known: boolean;
  readonly kind?: TareKind;
  readonly mass?: Quantity;
  readonly establishedAt?: Effective;
  /** Key of the person whose it is; absent when it is the ward's. */
  readonly person?: string;
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
  /** The scale of one of its inputs was found wrong. */
  readonly flagged?: true;
  /** Its height is an estimate. */
  readonly isEstimated?: true;
}

/** What is derived besides BMI. */
export type FigureKind =
  | 'weight-change'
  | 'weight-percentile'
  | 'weight-z'
  | 'height-percentile'
  | 'height-z'
  | 'bmi-percentile'
  | 'bmi-z'
  | 'body-surface'
  | 'ideal-weight'
  | 'adjusted-weight'
  | 'estimated-height';

/** A stored Observation of another derived figure; at most one of each kind for each reading. */
export interface StandingFigure {
  readonly id: string;
  readonly version: number;
  readonly status: ObservationStatus;
  readonly kind: FigureKind;
  /** Id of the reading that it is a figure of. */
  readonly of: string;
  /** Ids of the Observations that it was derived from. */
  readonly inputs: readonly string[];
  readonly effectiveText: string;
  /** Code, value and all else that the figure says, as JSON text. */
  readonly content: string;
}

export type StandingDerived = StandingBmi | StandingFigure;

export function isStandingBmi(standing: StandingDerived): standing is StandingBmi {
  return 'weightId' in standing;
}

/** Everything a judgement depends on, as values, so that each decision can be made again. */
export interface Context {
  readonly nowMs: number;
  readonly policy: Policy;
  /** The growth tables that an operator supplied. */
  readonly growth?: GrowthTables;
  /** The Observation id that the reading has or will get. */
  readonly id: string;
  /** The version that this writing will have; 1 when new. */
  readonly version: number;
  readonly person: PersonFacts;
  readonly device?: DeviceFacts;
  /** The chairs, cushions, slings and linen that the reading names, each once, in the order of their keys. */
  readonly tareDevices?: readonly TareFacts[];
  /** The person's other readings, current versions, this one excluded. */
  readonly history: readonly Reading[];
  /** The person's stored derived Observations, whatever their status. */
  readonly standing: readonly StandingDerived[];
  /** The version that a correction replaces. */
  readonly replaces?: Pick<Reading, 'status' | 'held' | 'version' | 'person' | 'of' | 'moves'> & Partial<Reading>;
  /** Absent when it is the sender who writes. */
  readonly instruction?: Instruction;
  /** Others who were weighed on the same scale within minutes and whose last weight this one fits. */
  readonly mistakenFor?: readonly OtherPerson[];
  /** FHIR bases whose absolute references count as relative ones: ours and the EHR's. */
  readonly knownBases: readonly string[];
}
