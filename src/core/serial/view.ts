/** One reading as the rules see it among the person's others: what came before it, and who the person is. */
import type { AgeBand } from '../age-bands.ts';
import type { BmiDraft, UsableReading } from '../derive/bmi.ts';
import type { SignificantChange } from '../derive/significant-change.ts';
import type { Age } from '../fhir-time.ts';
import type { Policy } from '../policy.ts';
import type { Comparison, PersonFacts } from '../reading.ts';
import type { Measured } from '../terminology.ts';
import type { Assessment } from '../growth/assess.ts';
import type { GrowthTables } from '../growth/tables.ts';
import type { Change } from './change.ts';

export type SuspicionKind =
  | 'pounds-as-kilograms'
  | 'kilograms-as-pounds'
  | 'inches-as-centimetres'
  | 'centimetres-as-inches'
  | 'grams'
  | 'decimal-point'
  | 'weight-height'
  | 'tare-forgotten'
  | 'tare-subtracted-twice'
  | 'other-person';

/** What may lie behind a doubtful number. */
export interface Suspicion {
  readonly kind: SuspicionKind;
  /** They fill the sentence of its rule. */
  readonly facts: Readonly<Record<string, string>>;
  /** Its rule holds the reading, so that no wider rule needs to say the same. */
  readonly holds: boolean;
}

/** A published threshold that is reached, with the earlier weight that it is reached against. */
export interface Significant extends SignificantChange {
  readonly earlier: UsableReading;
}

/** A child's measurement against the growth charts. */
export interface GrowthView {
  readonly own: Assessment;
  /** Of the BMI that the reading would be an input of, in their order. */
  readonly bmi: readonly { readonly draft: BmiDraft; readonly assessment: Assessment }[];
  readonly tables: GrowthTables | undefined;
}

export interface View {
  readonly reading: UsableReading;
  /** Measured, valid and more than zero: only such a reading is compared. */
  readonly counts: boolean;
  readonly person: PersonFacts;
  readonly policy: Policy;
  readonly age?: Age;
  readonly band: AgeBand;
  /** Accepted readings before it, oldest first. */
  readonly accepted: Readonly<Record<Measured, readonly UsableReading[]>>;
  /** Since the last accepted one of the same measure. */
  readonly change?: Change;
  readonly comparison?: Comparison;
  readonly birthWeight?: UsableReading;
  /** Published thresholds of significant change that it reaches. */
  readonly significant: readonly Significant[];
  /** Readings of the other measure within a day of it, held ones too. */
  readonly visit: readonly UsableReading[];
  /** BMI that it would be an input of, and those of them that no person can have. */
  readonly bmi: readonly BmiDraft[];
  readonly impossibleBmi: readonly BmiDraft[];
  /** Masses in kg of chairs and slings that this person was weighed in or with. */
  readonly knownTares: readonly UsableReading['quantity'][];
  /** A child against the growth charts. */
  readonly growth?: GrowthView;
  readonly suspicion?: Suspicion;
}
