/**
 * Every code, system URI and canonical URL the service knows, each row with its source.
 *
 * LOINC codes and names are copyright Regenstrief Institute, free of charge under the LOINC
 * licence; MDC codes are terms of IEEE 11073-10101. SNOMED CT is not written by this service: its
 * use needs a licence that only the operator can have, so kinds of scale are our own CodeSystem.
 */

export const SYSTEM = {
  loinc: 'http://loinc.org',
  ucum: 'http://unitsofmeasure.org',
  mdc: 'urn:iso:std:iso:11073:10101',
  snomed: 'http://snomed.info/sct',
  category: 'http://terminology.hl7.org/CodeSystem/observation-category',
  dataAbsentReason: 'http://terminology.hl7.org/CodeSystem/data-absent-reason',
  actReason: 'http://terminology.hl7.org/CodeSystem/v3-ActReason',
  dataOperation: 'http://terminology.hl7.org/CodeSystem/v3-DataOperation',
  provenanceAgent: 'http://terminology.hl7.org/CodeSystem/provenance-participant-type',
} as const;

/** Base of our own canonical URLs. `.example` is reserved (RFC 2606): an operator may rehost it. */
export const CANONICAL_BASE = 'https://steelyard.example/fhir';

export const OURS = {
  ruleSystem: `${CANONICAL_BASE}/CodeSystem/measurement-rule`,
  methodSystem: `${CANONICAL_BASE}/CodeSystem/measurement-method`,
  deviceKindSystem: `${CANONICAL_BASE}/CodeSystem/measuring-device-kind`,
  componentSystem: `${CANONICAL_BASE}/CodeSystem/weighing-component`,
  conditionSystem: `${CANONICAL_BASE}/CodeSystem/weighing-condition`,
  derivedSystem: `${CANONICAL_BASE}/CodeSystem/derived-figure`,
  tagSystem: `${CANONICAL_BASE}/CodeSystem/handling`,
  observationIdentifier: `${CANONICAL_BASE}/identifier/observation`,
  /** R4 Provenance has no identifier, so each of ours carries its id as a tag of this system. */
  provenanceTag: `${CANONICAL_BASE}/identifier/provenance`,
  softwareIdentifier: `${CANONICAL_BASE}/identifier/software`,
  /** Who calls: the program by its `client_id`, and the person who acts through it. */
  clientIdentifier: `${CANONICAL_BASE}/identifier/client`,
  userIdentifier: `${CANONICAL_BASE}/identifier/user`,
  /** A refusal that is kept, an item of the outbox. */
  refusalIdentifier: `${CANONICAL_BASE}/identifier/refusal`,
  outboxIdentifier: `${CANONICAL_BASE}/identifier/outbox-item`,
  auditEventSystem: `${CANONICAL_BASE}/CodeSystem/audit-event`,
  policyBase: `${CANONICAL_BASE}/policy`,
  bodyWeightProfile: `${CANONICAL_BASE}/StructureDefinition/bedside-body-weight`,
  bodyHeightProfile: `${CANONICAL_BASE}/StructureDefinition/bedside-body-height`,
  bmiProfile: `${CANONICAL_BASE}/StructureDefinition/derived-bmi`,
  ruleOutcomeExtension: `${CANONICAL_BASE}/StructureDefinition/rule-outcome`,
  ruleSourceExtension: `${CANONICAL_BASE}/StructureDefinition/rule-source`,
  policyVersionExtension: `${CANONICAL_BASE}/StructureDefinition/policy-version`,
  decisionExtension: `${CANONICAL_BASE}/StructureDefinition/decision`,
  enrichmentExtension: `${CANONICAL_BASE}/StructureDefinition/enrichment`,
  qualifierExtension: `${CANONICAL_BASE}/StructureDefinition/measurement-qualifier`,
  statusAsSentExtension: `${CANONICAL_BASE}/StructureDefinition/status-as-sent`,
  comparisonExtension: `${CANONICAL_BASE}/StructureDefinition/weight-comparison`,
  repeatOfExtension: `${CANONICAL_BASE}/StructureDefinition/repeat-of`,
  movedToExtension: `${CANONICAL_BASE}/StructureDefinition/moved-to`,
  movedFromExtension: `${CANONICAL_BASE}/StructureDefinition/moved-from`,
  divisionExtension: `${CANONICAL_BASE}/StructureDefinition/scale-division`,
  capacityExtension: `${CANONICAL_BASE}/StructureDefinition/scale-capacity`,
  defaultMethodExtension: `${CANONICAL_BASE}/StructureDefinition/default-method`,
  defaultClothingExtension: `${CANONICAL_BASE}/StructureDefinition/default-clothing`,
  tareMassExtension: `${CANONICAL_BASE}/StructureDefinition/tare-mass`,
  tareDeviceExtension: `${CANONICAL_BASE}/StructureDefinition/tare-device`,
  currentLocationExtension: `${CANONICAL_BASE}/StructureDefinition/current-location`,
} as const;

/** Profiles of the vital-signs page of R4 (4.0.1). */
export const R4_PROFILE = {
  weight: 'http://hl7.org/fhir/StructureDefinition/bodyweight',
  height: 'http://hl7.org/fhir/StructureDefinition/bodyheight',
  bmi: 'http://hl7.org/fhir/StructureDefinition/bmi',
} as const;

export const VITAL_SIGNS_CATEGORY = { system: SYSTEM.category, code: 'vital-signs', display: 'Vital Signs' } as const;

/** The tag on readings that we hold, so that a sender's own `preliminary` is told apart. */
export const HELD_TAG = { system: OURS.tagSystem, code: 'held', display: 'Held until somebody weighs again or decides' } as const;

/** The tag on readings that a site accepts although the scale is coarser than the precision rule. */
export const COARSE_TAG = {
  system: OURS.tagSystem,
  code: 'coarse-scale',
  display: 'Read on a scale coarser than the precision rule',
} as const;

/** The tag on a BMI whose height is an estimate. */
export const ESTIMATED_TAG = {
  system: OURS.tagSystem,
  code: 'estimated-height',
  display: 'From an estimated height, not a measured one',
} as const;

/** The tag on a reading that repeats another: one weighing, pressed twice. */
export const REPEAT_TAG = { system: OURS.tagSystem, code: 'double-press', display: 'Repeats another reading: pressed twice' } as const;

/** The tag on a held reading for which somebody asked for a second weighing. */
export const WEIGH_AGAIN_TAG = { system: OURS.tagSystem, code: 'weigh-again-asked', display: 'A second weighing was asked for' } as const;

/** The tag on a held reading that arrived without a person and waits to be claimed. */
export const UNASSIGNED_TAG = { system: OURS.tagSystem, code: 'unassigned', display: 'Held until somebody says whose it is' } as const;

/** The tag on readings of a scale that was found wrong, and on the BMI derived from them. */
export const IN_DOUBT_TAG = { system: OURS.tagSystem, code: 'scale-in-doubt', display: 'From a scale that was found wrong' } as const;

/** The tag on a Patient of whom nobody told this service: the EHR was asked. */
export const READ_FROM_EHR_TAG = { system: OURS.tagSystem, code: 'read-from-ehr', display: 'Read from the EHR, told by nobody' } as const;

/** What a body-measurement Observation is about. */
export type Quantified = 'weight' | 'height' | 'bmi';
export type Measured = Exclude<Quantified, 'bmi'>;

/** How the number came about. Only `measured` is ever a baseline or an input of BMI. */
export type Basis = 'measured' | 'stated' | 'estimated' | 'birth' | 'usual' | 'other';

export type Position = 'standing' | 'sitting' | 'lying';

export interface MeasurementCode {
  readonly code: string;
  readonly display: string;
  readonly of: Quantified;
  readonly basis: Basis;
  readonly position?: Position;
  readonly clothing?: 'with' | 'without';
  readonly source: string;
}

const R4_SD = 'HL7 FHIR R4 (4.0.1), StructureDefinition';
const R6_WEIGHT = 'HL7 FHIR 6.0.0-ballot, ValueSet observation-vitalsign-bodyweight';
const R6_HEIGHT = 'HL7 FHIR 6.0.0-ballot, ValueSet observation-vitalsign-bodyheight';
const VSAC_WEIGHT = 'NLM VSAC "Weight", OID 2.16.840.1.113883.3.464.1003.121.12.1015';

/** The code each vital-signs profile requires ("magic" code), by what is quantified. */
export const PARENT_CODE: Readonly<Record<Quantified, { readonly code: string; readonly display: string }>> = {
  weight: { code: '29463-7', display: 'Body weight' },
  height: { code: '8302-2', display: 'Body height' },
  bmi: { code: '39156-5', display: 'Body mass index (BMI) [Ratio]' },
};

/** LOINC codes understood as weight, height or BMI. Anything else is not served here. */
export const LOINC_CODES: readonly MeasurementCode[] = [
  { code: '29463-7', display: 'Body weight', of: 'weight', basis: 'measured', source: `${R4_SD} bodyweight` },
  { code: '3141-9', display: 'Body weight Measured', of: 'weight', basis: 'measured', source: R6_WEIGHT },
  { code: '3142-7', display: 'Body weight Stated', of: 'weight', basis: 'stated', source: R6_WEIGHT },
  { code: '8335-2', display: 'Body weight Estimated', of: 'weight', basis: 'estimated', source: R6_WEIGHT },
  { code: '8350-1', display: 'Body weight Measured --with clothes', of: 'weight', basis: 'measured', clothing: 'with', source: R6_WEIGHT },
  {
    code: '8351-9',
    display: 'Body weight Measured --without clothes',
    of: 'weight',
    basis: 'measured',
    clothing: 'without',
    source: R6_WEIGHT,
  },
  { code: '8341-0', display: 'Dry body weight Measured', of: 'weight', basis: 'measured', source: VSAC_WEIGHT },
  { code: '8340-2', display: 'Dry body weight Estimated', of: 'weight', basis: 'estimated', source: 'LOINC, number from memory' },
  { code: '8349-3', display: 'Body weight Measured --preoperative', of: 'weight', basis: 'measured', source: VSAC_WEIGHT },
  { code: '18833-4', display: 'First Body weight', of: 'weight', basis: 'measured', source: VSAC_WEIGHT },
  {
    code: '8339-4',
    display: 'Birth weight Measured',
    of: 'weight',
    basis: 'birth',
    source: 'HL7 Germany, ValueSet VitalSignDE_Body_Weight_Loinc',
  },
  { code: '75292-3', display: 'Body weight - Reported --usual', of: 'weight', basis: 'usual', source: 'LOINC, number from memory' },
  { code: '8302-2', display: 'Body height', of: 'height', basis: 'measured', source: `${R4_SD} bodyheight` },
  { code: '3137-7', display: 'Body height Measured', of: 'height', basis: 'measured', source: R6_HEIGHT },
  { code: '3138-5', display: 'Body height Stated', of: 'height', basis: 'stated', source: R6_HEIGHT },
  { code: '8301-4', display: 'Body height Estimated', of: 'height', basis: 'estimated', source: R6_HEIGHT },
  { code: '8305-5', display: 'Body height --post partum', of: 'height', basis: 'measured', source: R6_HEIGHT },
  { code: '8306-3', display: 'Body height --lying', of: 'height', basis: 'measured', position: 'lying', source: R6_HEIGHT },
  { code: '8307-1', display: 'Body height --preoperative', of: 'height', basis: 'measured', source: R6_HEIGHT },
  { code: '8308-9', display: 'Body height --standing', of: 'height', basis: 'measured', position: 'standing', source: R6_HEIGHT },
  {
    code: '89269-5',
    display: 'Body height Measured --at birth',
    of: 'height',
    basis: 'birth',
    source: 'public national FHIR mapping of LOINC (Uzbekistan)',
  },
  { code: '39156-5', display: 'Body mass index (BMI) [Ratio]', of: 'bmi', basis: 'measured', source: `${R4_SD} bmi` },
];

/**
 * Codes of `Observation.method` that say how a number came about, recognised when a sender uses
 * them and never written by this service (HL7 Vital Signs with Qualifying Elements guide, height
 * method value set).
 */
export const METHOD_BASES: readonly { readonly system: string; readonly code: string; readonly basis: Basis }[] = [
  { system: SYSTEM.snomed, code: '258104002', basis: 'measured' },
  { system: SYSTEM.snomed, code: '414135002', basis: 'estimated' },
  { system: SYSTEM.snomed, code: '733985002', basis: 'stated' },
];

/** IEEE 11073-10101 terms that a personal health device gateway sends, 32-bit and 16-bit forms. */
export const MDC_CODES: readonly { readonly code: string; readonly name: string; readonly of: Quantified; readonly source: string }[] = [
  { code: '188736', name: 'MDC_MASS_BODY_ACTUAL', of: 'weight', source: 'IEEE 11073-10101; HL7 Personal Health Device guide' },
  { code: '57664', name: 'MDC_MASS_BODY_ACTUAL', of: 'weight', source: 'same term without its partition, read as partition 2' },
  { code: '188740', name: 'MDC_LEN_BODY_ACTUAL', of: 'height', source: 'IEEE 11073-10101; HL7 Personal Health Device guide' },
  { code: '57668', name: 'MDC_LEN_BODY_ACTUAL', of: 'height', source: 'same term without its partition, read as partition 2' },
  { code: '188752', name: 'MDC_RATIO_MASS_BODY_LEN_SQ', of: 'bmi', source: 'IEEE 11073-10101; HL7 Personal Health Device guide' },
  { code: '57680', name: 'MDC_RATIO_MASS_BODY_LEN_SQ', of: 'bmi', source: 'same term without its partition, read as partition 2' },
];

/** Qualifier codes of the vital-signs table (R4 observation-vitalsigns 10.1.19). */
export const QUALIFIER = {
  clothing: { system: SYSTEM.loinc, code: '8352-7', display: 'Clothing worn during measure' },
  position: { system: SYSTEM.loinc, code: '8361-8', display: 'Body position with respect to gravity' },
  weighingDevice: { system: SYSTEM.loinc, code: '8356-8', display: 'Type of weighing device' },
  heightDevice: { system: SYSTEM.loinc, code: '41910-1', display: 'Type of height device' },
  method: { system: OURS.componentSystem, code: 'method', display: 'Method of measuring' },
  condition: { system: OURS.componentSystem, code: 'condition', display: 'What the number stands on' },
  gross: { system: OURS.componentSystem, code: 'gross', display: 'Gross mass before the tare was subtracted' },
  tare: { system: OURS.componentSystem, code: 'tare', display: 'Tare mass subtracted from gross' },
} as const;

export type ClothingClass = 'underwear' | 'street-no-shoes' | 'street-shoes';

/** LOINC answer list LL742-8 (HL7 SDC weight and height tracking panel example). */
export const CLOTHING_ANSWERS: Readonly<Record<ClothingClass, { readonly code: string; readonly display: string }>> = {
  underwear: { code: 'LA11871-3', display: 'Underwear or less' },
  'street-no-shoes': { code: 'LA11872-1', display: 'Street clothes, no shoes' },
  'street-shoes': { code: 'LA11873-9', display: 'Street clothes & shoes' },
};

/** LOINC answers of 8361-8 (same panel example). */
export const POSITION_ANSWERS: Readonly<Record<Position, { readonly code: string; readonly display: string }>> = {
  sitting: { code: 'LA11868-9', display: 'Sitting' },
  lying: { code: 'LA11869-7', display: 'Lying' },
  standing: { code: 'LA11870-5', display: 'Standing' },
};

/** Observation.status codes of R4 (ValueSet observation-status). */
export const OBSERVATION_STATUSES = [
  'registered',
  'preliminary',
  'final',
  'amended',
  'corrected',
  'cancelled',
  'entered-in-error',
  'unknown',
] as const;
export type ObservationStatus = (typeof OBSERVATION_STATUSES)[number];
