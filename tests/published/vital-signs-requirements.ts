/**
 * What R4's vital-signs profiles require, line by line: HL7 FHIR R4 (4.0.1), StructureDefinitions
 * vitalsigns, bodyweight, bodyheight and bmi, differentials. `tests/oracles` compares this table
 * with the official files.
 */
export interface Requirement {
  readonly profile: 'vitalsigns' | 'bodyweight' | 'bodyheight' | 'bmi';
  /** Element id as published. */
  readonly id: string;
  readonly min?: number;
  readonly max?: string;
  readonly mustSupport?: true;
  readonly fixed?: string;
  readonly binding?: readonly [strength: string, valueSet: string];
  readonly types?: readonly string[];
  /** Last parts of the target profiles' URLs. */
  readonly targets?: readonly string[];
  /** Discriminator paths of an open slicing. */
  readonly slicedBy?: readonly string[];
  readonly constraints?: readonly string[];
  /** Why our weight and height profiles differ on purpose. */
  readonly deviation?: string;
}

const LOINC = 'http://loinc.org';
const UCUM = 'http://unitsofmeasure.org';
const one = { min: 1, max: '1' } as const;
const oneSupported = { ...one, mustSupport: true } as const;
const optionalSupported = { min: 0, max: '1', mustSupport: true } as const;
const VITAL_SIGN_TARGETS = ['QuestionnaireResponse', 'MolecularSequence', 'vitalsigns'] as const;

const VITAL_SIGNS: readonly Omit<Requirement, 'profile'>[] = [
  { id: 'Observation', constraints: ['vs-2'] },
  { id: 'Observation.status', ...oneSupported, types: ['code'], binding: ['required', 'observation-status|4.0.1'] },
  { id: 'Observation.category', min: 1, max: '*', mustSupport: true, slicedBy: ['coding.code', 'coding.system'] },
  { id: 'Observation.category:VSCat', ...oneSupported },
  { id: 'Observation.category:VSCat.coding', min: 1, max: '*', mustSupport: true },
  {
    id: 'Observation.category:VSCat.coding.system',
    ...oneSupported,
    fixed: 'http://terminology.hl7.org/CodeSystem/observation-category',
  },
  { id: 'Observation.category:VSCat.coding.code', ...oneSupported, fixed: 'vital-signs' },
  { id: 'Observation.code', ...oneSupported, binding: ['extensible', 'observation-vitalsignresult'] },
  { id: 'Observation.subject', ...oneSupported, types: ['Reference'], targets: ['Patient'] },
  { id: 'Observation.effective[x]', ...oneSupported, types: ['dateTime', 'Period'], constraints: ['vs-1'] },
  { id: 'Observation.value[x]', ...optionalSupported },
  { id: 'Observation.dataAbsentReason', ...optionalSupported },
  { id: 'Observation.hasMember', targets: VITAL_SIGN_TARGETS },
  { id: 'Observation.derivedFrom', targets: ['DocumentReference', 'ImagingStudy', 'Media', ...VITAL_SIGN_TARGETS] },
  { id: 'Observation.component', mustSupport: true, constraints: ['vs-3'] },
  { id: 'Observation.component.code', ...oneSupported, binding: ['extensible', 'observation-vitalsignresult'] },
  {
    id: 'Observation.component.value[x]',
    ...optionalSupported,
    binding: ['required', 'ucum-vitals-common|4.0.1'],
    deviation: 'a required binding to unit codes excludes every coded answer about method, device and clothing',
  },
  { id: 'Observation.component.dataAbsentReason', ...optionalSupported },
];

function measured(slice: string, code: string, unit: Pick<Requirement, 'binding' | 'fixed'>): Omit<Requirement, 'profile'>[] {
  return [
    { id: 'Observation.code.coding', slicedBy: ['code', 'system'] },
    { id: `Observation.code.coding:${slice}`, ...one },
    { id: `Observation.code.coding:${slice}.system`, ...one, fixed: LOINC },
    { id: `Observation.code.coding:${slice}.code`, ...one, fixed: code },
    { id: 'Observation.valueQuantity.value', ...oneSupported },
    { id: 'Observation.valueQuantity.unit', ...oneSupported },
    { id: 'Observation.valueQuantity.system', ...oneSupported, fixed: UCUM },
    { id: 'Observation.valueQuantity.code', ...oneSupported, ...unit },
  ];
}

const BMI: readonly Omit<Requirement, 'profile'>[] = [
  { id: 'Observation.valueQuantity', ...one },
  ...measured('BMICode', '39156-5', { fixed: 'kg/m2' }),
];

const of = (profile: Requirement['profile'], rows: readonly Omit<Requirement, 'profile'>[]): Requirement[] =>
  rows.map((row) => ({ profile, ...row }));

export const REQUIREMENTS: readonly Requirement[] = [
  ...of('vitalsigns', VITAL_SIGNS),
  ...of('bodyweight', measured('BodyWeightCode', '29463-7', { binding: ['required', 'ucum-bodyweight|4.0.1'] })),
  ...of('bodyheight', measured('BodyHeightCode', '8302-2', { binding: ['required', 'ucum-bodylength|4.0.1'] })),
  ...of('bmi', BMI),
];

/** HL7 FHIR R4 (4.0.1), ValueSets ucum-bodyweight and ucum-bodylength: all their codes. */
export const UNIT_CODES = { weight: ['kg', '[lb_av]', 'g'], height: ['cm', '[in_i]'] } as const;

/** The fixed value of an element, whatever its type. */
export function fixedOf(element: object): string | undefined {
  const key = Object.keys(element).find((name) => name.startsWith('fixed'));
  const value: unknown = key === undefined ? undefined : (element as Record<string, unknown>)[key];
  return typeof value === 'string' ? value : undefined;
}
