/**
 * Our profiles of Observation. Weight and height restate what R4's vitalsigns, bodyweight and
 * bodyheight ask (HL7 FHIR R4 4.0.1) on the base Observation, because those bind
 * component.value[x] to unit codes, which no coded answer about method, device or clothing meets.
 */
import type * as fhir4 from 'fhir/r4.js';
import { PROFILE_CONSTRAINTS } from '../../src/core/conformance/profile-constraints.ts';
import type { Constraint } from '../../src/core/conformance/constraint.ts';
import { INVARIANTS } from '../../src/core/conformance/r4-constraints.ts';
import { OURS, PARENT_CODE, QUALIFIER, R4_PROFILE, SYSTEM, VITAL_SIGNS_CATEGORY, type Measured } from '../../src/core/terminology.ts';
import { atMostOne, boundToOurs, boundToR4, element, exactlyOne, HL7, referenceTo } from './elements.ts';
import { header, idOf, withNotices, type Naming } from './published.ts';
import { VALUE_SET } from './value-sets.ts';

interface MeasuredProfile extends Naming {
  readonly url: string;
  readonly of: Measured;
  readonly codeSlice: string;
  readonly unitSet: string;
  readonly methodSet: string;
  readonly deviceQualifier: (typeof QUALIFIER)[keyof typeof QUALIFIER];
}

const WEIGHT: MeasuredProfile = {
  id: idOf(OURS.bodyWeightProfile),
  url: OURS.bodyWeightProfile,
  title: 'Bedside body weight',
  description:
    'A body weight as this service stores and forwards it: a vital sign by the R4 profile in everything but one point, with method, device, clothing, position, conditions, gross and tare as components. R4 binds component values to unit codes, so an Observation with coded components claims this profile; with the setting qualifiers.shape=extension the qualifiers leave as extensions and R4 bodyweight is claimed as well.',
  of: 'weight',
  codeSlice: 'BodyWeightCode',
  unitSet: 'ucum-bodyweight',
  methodSet: VALUE_SET.weighingMethods,
  deviceQualifier: QUALIFIER.weighingDevice,
};

const HEIGHT: MeasuredProfile = {
  id: idOf(OURS.bodyHeightProfile),
  url: OURS.bodyHeightProfile,
  title: 'Bedside body height',
  description:
    'A body height or length as this service stores and forwards it: a vital sign by the R4 profile in everything but one point, with method, device, position and conditions as components. R4 binds component values to unit codes, so an Observation with coded components claims this profile; with the setting qualifiers.shape=extension the qualifiers leave as extensions and R4 bodyheight is claimed as well.',
  of: 'height',
  codeSlice: 'BodyHeightCode',
  unitSet: 'ucum-bodylength',
  methodSet: VALUE_SET.heightMethods,
  deviceQualifier: QUALIFIER.heightDevice,
};

export function profiles(): fhir4.StructureDefinition[] {
  return [measuredProfile(WEIGHT), measuredProfile(HEIGHT), bmiProfile()];
}

function observationProfile(naming: Naming, baseDefinition: string, elements: fhir4.ElementDefinition[]): fhir4.StructureDefinition {
  return withNotices({
    ...header('StructureDefinition', naming),
    fhirVersion: '4.0.1',
    kind: 'resource',
    abstract: false,
    type: 'Observation',
    baseDefinition,
    derivation: 'constraint',
    differential: { element: elements },
  });
}

function measuredProfile(profile: MeasuredProfile): fhir4.StructureDefinition {
  return observationProfile(profile, `${HL7}/StructureDefinition/Observation`, [
    element('Observation', { constraint: constraintsOf(profile.url, 'Observation', ['vs-1', 'vs-2']) }),
    ...extensionSlices(),
    element('Observation.status', { ...exactlyOne, ...boundToR4('observation-status', 'required') }),
    ...categorySlice(),
    ...codeSlice(profile),
    element('Observation.subject', { ...exactlyOne, type: referenceTo('Patient') }),
    element('Observation.effective[x]', { ...exactlyOne, type: [{ code: 'dateTime' }, { code: 'Period' }] }),
    ...quantityElements('Observation.value[x]', profile.unitSet, atMostOne),
    element('Observation.dataAbsentReason', atMostOne),
    element('Observation.method', { ...atMostOne, ...boundToOurs(profile.methodSet, 'extensible') }),
    element('Observation.device', { ...atMostOne, type: referenceTo('Device', 'DeviceMetric') }),
    element('Observation.hasMember', { type: referenceTo('QuestionnaireResponse', 'MolecularSequence', 'vitalsigns') }),
    element('Observation.derivedFrom', {
      type: referenceTo('DocumentReference', 'ImagingStudy', 'Media', 'QuestionnaireResponse', 'MolecularSequence', 'vitalsigns'),
    }),
    ...componentSlices(profile),
  ]);
}

function bmiProfile(): fhir4.StructureDefinition {
  const naming = {
    id: idOf(OURS.bmiProfile),
    title: 'Derived body mass index',
    description:
      'A BMI that this service worked out from one stored weight and one stored height: exact arithmetic, rounded once, half up, to one decimal. It narrows the R4 bmi profile: the inputs stand in derivedFrom, never in components, and there is always a value.',
  };
  return observationProfile(naming, R4_PROFILE.bmi, [
    element('Observation', { constraint: constraintsOf(OURS.bmiProfile, 'Observation', []) }),
    element('Observation.value[x]', { min: 1, max: '1', type: [{ code: 'Quantity' }] }),
    element('Observation.value[x].comparator', { max: '0' }),
    element('Observation.dataAbsentReason', { max: '0' }),
    element('Observation.derivedFrom', {
      min: 2,
      max: '2',
      mustSupport: true,
      type: referenceTo(OURS.bodyWeightProfile, OURS.bodyHeightProfile),
      short: 'The weight and the height',
    }),
    element('Observation.component', { max: '0' }),
  ]);
}

function constraintsOf(profile: string, on: string, r4Keys: readonly string[]): fhir4.ElementDefinitionConstraint[] {
  const restated = INVARIANTS.filter((row) => row.on === on && r4Keys.includes(row.key));
  const own = PROFILE_CONSTRAINTS.filter((row) => row.on === on && row.profiles.includes(profile));
  return [
    ...restated.map((row) => toConstraint(row, `${HL7}/StructureDefinition/vitalsigns`)),
    ...own.map((row) => toConstraint(row, profile)),
  ];
}

function toConstraint({ key, severity, human, expression }: Constraint, source: string): fhir4.ElementDefinitionConstraint {
  return { key, severity, human: `${human.charAt(0).toUpperCase()}${human.slice(1)}`, expression, source };
}

function extensionSlices(): fhir4.ElementDefinition[] {
  const slicing = { discriminator: [{ type: 'value' as const, path: 'url' }], ordered: false, rules: 'open' as const };
  return [
    element('Observation.extension', { slicing }),
    element('Observation.extension:qualifier', {
      sliceName: 'qualifier',
      min: 0,
      max: '*',
      type: [{ code: 'Extension', profile: [OURS.qualifierExtension] }],
    }),
    element('Observation.extension:statusAsSent', {
      sliceName: 'statusAsSent',
      min: 0,
      max: '1',
      type: [{ code: 'Extension', profile: [OURS.statusAsSentExtension] }],
    }),
  ];
}

function categorySlice(): fhir4.ElementDefinition[] {
  const slice = 'Observation.category:VSCat';
  return [
    element('Observation.category', { slicing: byCodeAndSystem('coding.'), min: 1, max: '*', mustSupport: true }),
    element(slice, { sliceName: 'VSCat', ...exactlyOne }),
    element(`${slice}.coding`, { min: 1, max: '*', mustSupport: true }),
    element(`${slice}.coding.system`, { ...exactlyOne, fixedUri: VITAL_SIGNS_CATEGORY.system }),
    element(`${slice}.coding.code`, { ...exactlyOne, fixedCode: VITAL_SIGNS_CATEGORY.code }),
  ];
}

function codeSlice({ of, codeSlice: sliceName }: MeasuredProfile): fhir4.ElementDefinition[] {
  const slice = `Observation.code.coding:${sliceName}`;
  return [
    element('Observation.code', { ...exactlyOne, ...boundToR4('observation-vitalsignresult', 'extensible') }),
    element('Observation.code.coding', { slicing: byCodeAndSystem('') }),
    element(slice, { sliceName, min: 1, max: '1', short: `${PARENT_CODE[of].display}; a more specific code may stand beside it` }),
    element(`${slice}.system`, { min: 1, max: '1', fixedUri: SYSTEM.loinc }),
    element(`${slice}.code`, { min: 1, max: '1', fixedCode: PARENT_CODE[of].code }),
  ];
}

function byCodeAndSystem(prefix: string): fhir4.ElementDefinitionSlicing {
  const discriminator = ['code', 'system'].map((name) => ({ type: 'value' as const, path: `${prefix}${name}` }));
  return { discriminator, ordered: false, rules: 'open' };
}

type Cardinality = Pick<fhir4.ElementDefinition, 'min' | 'max' | 'mustSupport'>;

function quantityElements(id: string, unitSet: string, cardinality: Cardinality): fhir4.ElementDefinition[] {
  return [
    element(id, { ...cardinality, type: [{ code: 'Quantity' }] }),
    element(`${id}.value`, exactlyOne),
    element(`${id}.comparator`, { max: '0', short: 'A bound is not a reading' }),
    element(`${id}.unit`, exactlyOne),
    element(`${id}.system`, { ...exactlyOne, fixedUri: SYSTEM.ucum }),
    element(`${id}.code`, { ...exactlyOne, ...boundToR4(unitSet, 'required') }),
  ];
}

function componentSlices({ of, unitSet, methodSet, deviceQualifier }: MeasuredProfile): fhir4.ElementDefinition[] {
  const coded: readonly (readonly [sliceName: string, qualifier: (typeof QUALIFIER)[keyof typeof QUALIFIER], valueSet: string])[] = [
    ['method', QUALIFIER.method, methodSet],
    ['device', deviceQualifier, VALUE_SET.deviceKinds],
    ...(of === 'weight' ? ([['clothing', QUALIFIER.clothing, VALUE_SET.clothingAnswers]] as const) : []),
    ['position', QUALIFIER.position, VALUE_SET.positionAnswers],
  ];
  const masses =
    of === 'weight'
      ? ([
          ['gross', QUALIFIER.gross],
          ['tare', QUALIFIER.tare],
        ] as const)
      : [];
  return [
    element('Observation.component', {
      slicing: { discriminator: [{ type: 'pattern', path: 'code' }], ordered: false, rules: 'open' },
      mustSupport: true,
      constraint: INVARIANTS.filter(({ key }) => key === 'vs-3').map((row) => toConstraint(row, `${HL7}/StructureDefinition/vitalsigns`)),
    }),
    element('Observation.component.code', { ...exactlyOne, ...boundToR4('observation-vitalsignresult', 'extensible') }),
    element('Observation.component.value[x]', atMostOne),
    element('Observation.component.dataAbsentReason', atMostOne),
    ...coded.flatMap(([sliceName, qualifier, valueSet]) => [
      ...sliceOf(sliceName, qualifier),
      element(`Observation.component:${sliceName}.value[x]`, {
        ...atMostOne,
        type: [{ code: 'CodeableConcept' }],
        ...boundToOurs(valueSet, 'extensible'),
      }),
    ]),
    ...sliceOf('condition', QUALIFIER.condition, '*'),
    element('Observation.component:condition.value[x]', {
      ...atMostOne,
      type: [{ code: 'CodeableConcept' }],
      ...boundToOurs(VALUE_SET.conditions, 'extensible'),
    }),
    ...masses.flatMap(([sliceName, qualifier]) => [
      ...sliceOf(sliceName, qualifier),
      ...quantityElements(`Observation.component:${sliceName}.value[x]`, unitSet, atMostOne),
    ]),
  ];
}

function sliceOf(
  sliceName: string,
  { system, code, display }: (typeof QUALIFIER)[keyof typeof QUALIFIER],
  max = '1',
): fhir4.ElementDefinition[] {
  const slice = `Observation.component:${sliceName}`;
  return [
    element(slice, { sliceName, ...atMostOne, max, short: display }),
    element(`${slice}.code`, { ...exactlyOne, patternCodeableConcept: { coding: [{ system, code }] } }),
  ];
}
