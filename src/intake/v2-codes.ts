/**
 * What HL7 v2 and IEEE 11073 write, in the words of FHIR. Tables only.
 */
import { LOINC_CODES, MDC_CODES, SYSTEM, type ObservationStatus } from '../core/terminology.ts';

/** Coding systems by their name in CWE-3 and CWE-6 (HL7 v2 table 0396; HL7 v2-to-FHIR guide, CWE to CodeableConcept). */
export const CODING_SYSTEMS: Readonly<Record<string, string | undefined>> = {
  LN: SYSTEM.loinc,
  MDC: SYSTEM.mdc,
  SCT: SYSTEM.snomed,
  UCUM: SYSTEM.ucum,
};

/**
 * Units of IEEE 11073-10101 (partition 4, so 4 · 65536 + term) in UCUM: another name for the same
 * unit, no conversion. Terms 1731, 1728, 1760, 1297 and 1376 as several public implementations of
 * IEEE 11073-20601 have them; 1952 as HL7's Personal Health Device guide uses it for BMI.
 */
export const MDC_UNITS: Readonly<Record<string, string | undefined>> = {
  '263875': 'kg', // MDC_DIM_KILO_G
  '263872': 'g', // MDC_DIM_X_G
  '263904': '[lb_av]', // MDC_DIM_LB
  '263441': 'cm', // MDC_DIM_CENTI_M
  '263520': '[in_i]', // MDC_DIM_INCH
  '264096': 'kg/m2', // MDC_DIM_KG_PER_M_SQ
};

export interface StatusRow {
  readonly status: ObservationStatus;
  /** See `SentReading.replaces`. */
  readonly replaces: 'any' | 'preliminary';
}

/**
 * OBX-11 (HL7 v2 table 0085) in FHIR: the ConceptMap "Table HL70085 to Observation Status" of the
 * HL7 v2-to-FHIR guide. What that map leaves unmatched (B, I, N, O, S, U, V) is refused, and R is
 * for `unverifiedStatus`.
 */
export const STATUSES: Readonly<Record<string, StatusRow | undefined>> = {
  F: { status: 'final', replaces: 'preliminary' },
  P: { status: 'preliminary', replaces: 'preliminary' },
  C: { status: 'corrected', replaces: 'any' },
  A: { status: 'amended', replaces: 'any' },
  D: { status: 'entered-in-error', replaces: 'any' },
  W: { status: 'entered-in-error', replaces: 'any' },
  X: { status: 'cancelled', replaces: 'any' },
};

/**
 * R, "results entered, not verified", which the published map leaves open. In IHE PCD-01 it is what
 * a device sends for an ordinary value (IHE Patient Care Device Technical Framework, PCD-01, OBX-11;
 * HL7 Point-of-Care Device guide, measurement status: no flag and R is reliable), so a message that
 * claims that profile is final. Elsewhere it is what FHIR calls preliminary: it "may be unverified"
 * (HL7 FHIR R4, ValueSet observation-status).
 */
export function unverifiedStatus(claimsPcd: boolean): StatusRow {
  return { status: claimsPcd ? 'final' : 'preliminary', replaces: 'preliminary' };
}

/** Root of the message profiles of IHE PCD in MSH-21 (IHE Patient Care Device Technical Framework, appendix on OIDs). */
export const PCD_PROFILES = '1.3.6.1.4.1.19376.1.6.';

/** OBX-8 of a device that says of its own value that it is none to chart (HL7 Point-of-Care Device guide, measurement status and validity). */
export const NOT_A_VALUE: Readonly<Record<string, string | undefined>> = {
  INV: 'invalid',
  QUES: 'questionable',
  NAV: 'not available',
  CAL: 'taken while calibrating',
  TEST: 'a test',
  DEMO: 'a demonstration',
  EARLY: 'an early estimate',
  BUSY: 'still being measured',
};

/** OBX-8 of a value beyond what the instrument shows (HL7 v2 table 0078): the number is its limit. */
export const COMPARATORS: Readonly<Record<string, '<' | '>' | undefined>> = { '<': '<', '>': '>' };

/** What is measured here, by LOINC or MDC. */
export function isMeasurement(system: string | undefined, code: string): boolean {
  const known: readonly { readonly code: string }[] = system === SYSTEM.loinc ? LOINC_CODES : system === SYSTEM.mdc ? MDC_CODES : [];
  return known.some((row) => row.code === code);
}

/** Of IEEE 11073-10101: 1 holds objects and their attributes, 8 the kinds of device. Neither is ever a measurement. */
const PARTITIONS_OF_THE_DEVICE: ReadonlySet<number> = new Set([1, 8]);

/** An MDC code of a device or of an attribute of one. */
export function isOfTheDevice(code: string): boolean {
  return /^\d{1,9}$/.test(code) && PARTITIONS_OF_THE_DEVICE.has(Math.floor(Number(code) / 65_536));
}

/** Error codes of ERR-3 that are used here (HL7 v2 table 0357). */
export const CONDITION = {
  accepted: { code: '0', text: 'Message accepted' },
  sequence: { code: '100', text: 'Segment sequence error' },
  required: { code: '101', text: 'Required field missing' },
  dataType: { code: '102', text: 'Data type error' },
  table: { code: '103', text: 'Table value not found' },
  tooLong: { code: '104', text: 'Value too long' },
  messageType: { code: '200', text: 'Unsupported message type' },
  event: { code: '201', text: 'Unsupported event code' },
  processingId: { code: '202', text: 'Unsupported processing id' },
  version: { code: '203', text: 'Unsupported version id' },
  unknownKey: { code: '204', text: 'Unknown key identifier' },
  duplicateKey: { code: '205', text: 'Duplicate key identifier' },
  internal: { code: '207', text: 'Application error' },
} as const;

export type Condition = (typeof CONDITION)[keyof typeof CONDITION];
