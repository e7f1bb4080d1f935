import type * as fhir4 from 'fhir/r4.js';
import { describe, expect, it } from 'vitest';
import { loadArtefacts } from '../../src/artefacts.ts';
import { checkInvariants } from '../../src/core/conformance/invariants.ts';
import { unitsOf } from '../../src/core/quantity.ts';
import { OURS, PARENT_CODE, R4_PROFILE, VITAL_SIGNS_CATEGORY } from '../../src/core/terminology.ts';
import { fixedOf, REQUIREMENTS, UNIT_CODES, type Requirement } from './vital-signs-requirements.ts';

const loaded = loadArtefacts();

function definition(url: string): fhir4.StructureDefinition {
  return JSON.parse(loaded.find((artefact) => artefact.url === url)?.text ?? 'null') as fhir4.StructureDefinition;
}

/** R4 names the element valueQuantity in its differentials; ours name it by the choice. */
function ourElement(profile: fhir4.StructureDefinition, id: string): fhir4.ElementDefinition | undefined {
  const ours = id.replace('Observation.valueQuantity', 'Observation.value[x]');
  return profile.differential?.element.find((element) => element.id === ours);
}

const tail = (url: string): string => url.slice(url.lastIndexOf('/') + 1);

/** In which respects an element of ours asks less than the requirement; empty when it meets it. */
function shortcomings(ours: fhir4.ElementDefinition, wanted: Requirement): string[] {
  const { min, max, mustSupport, fixed, binding, types, targets, slicedBy } = wanted;
  const gaps: [respect: string, isGap: boolean][] = [
    ['min', min !== undefined && min > 0 && (ours.min ?? 0) < min],
    ['max', max === '1' && ours.max !== '1' && ours.max !== '0'],
    ['mustSupport', mustSupport === true && ours.mustSupport !== true],
    ['fixed', fixed !== undefined && fixedOf(ours) !== fixed],
    [
      'binding',
      binding !== undefined &&
        (ours.binding?.strength !== binding[0] || ours.binding.valueSet !== `http://hl7.org/fhir/ValueSet/${binding[1]}`),
    ],
    ['types', types !== undefined && !(ours.type ?? []).every(({ code }) => types.includes(code))],
    ['types', types !== undefined && ours.type === undefined && ours.path !== 'Observation.status'],
    [
      'targets',
      targets !== undefined && !(ours.type ?? []).flatMap((type) => type.targetProfile ?? []).every((url) => targets.includes(tail(url))),
    ],
    ['targets', targets !== undefined && ours.type === undefined],
    [
      'slicing',
      slicedBy !== undefined &&
        (ours.slicing?.rules !== 'open' || ours.slicing.discriminator?.map(({ path }) => path).join() !== slicedBy.join()),
    ],
  ];
  return gaps.flatMap(([respect, isGap]) => (isGap ? [respect] : []));
}

const MEASURED = [
  { name: 'weight', url: OURS.bodyWeightProfile, profiles: ['vitalsigns', 'bodyweight'] },
  { name: 'height', url: OURS.bodyHeightProfile, profiles: ['vitalsigns', 'bodyheight'] },
] as const;

describe.each(MEASURED)('our $name profile meets R4 $profiles', ({ url, profiles }) => {
  const ours = definition(url);
  const wanted = REQUIREMENTS.filter(({ profile }) => (profiles as readonly string[]).includes(profile));

  it.each(wanted)('$profile $id', (requirement) => {
    const element = ourElement(ours, requirement.id);
    const gaps = element === undefined ? ['not restated'] : shortcomings(element, requirement);
    expect(gaps).toEqual(requirement.deviation === undefined ? [] : ['binding']);
  });

  it('carries the constraints of vital signs, wherever in the Observation they are anchored', () => {
    const carried = (ours.differential?.element ?? []).flatMap(({ constraint = [] }) => constraint.map(({ key }) => key));
    for (const key of wanted.flatMap(({ constraints = [] }) => constraints)) expect(carried).toContain(key);
  });

  it('is a profile of the base Observation, since the one deviation could not be made on theirs', () => {
    expect(ours.baseDefinition).toBe('http://hl7.org/fhir/StructureDefinition/Observation');
    expect(wanted.filter(({ deviation }) => deviation !== undefined)).toHaveLength(1);
  });
});

describe('our BMI profile', () => {
  const ours = definition(OURS.bmiProfile);
  const wanted = REQUIREMENTS.filter(({ profile }) => profile === 'vitalsigns' || profile === 'bmi');

  it('rests on R4 bmi, which brings what is not restated', () => {
    expect(ours.baseDefinition).toBe(R4_PROFILE.bmi);
  });
  it('loosens nothing that it restates', () => {
    for (const requirement of wanted) {
      const element = ourElement(ours, requirement.id);
      if (element?.min !== undefined && requirement.min !== undefined) expect(element.min).toBeGreaterThanOrEqual(requirement.min);
      if (element?.max !== undefined && requirement.max === '1') expect(['0', '1']).toContain(element.max);
    }
  });
  it('asks for exactly two inputs, the weight and the height', () => {
    expect(ourElement(ours, 'Observation.derivedFrom')).toMatchObject({
      min: 2,
      max: '2',
      type: [{ code: 'Reference', targetProfile: [OURS.bodyWeightProfile, OURS.bodyHeightProfile] }],
    });
  });
});

describe('the tables of the code agree with the published profiles', () => {
  const fixed = (profile: Requirement['profile'], ending: string): string | undefined =>
    REQUIREMENTS.find((row) => row.profile === profile && row.id.endsWith(ending) && row.fixed !== undefined)?.fixed;

  it('required codes', () => {
    expect(PARENT_CODE.weight.code).toBe(fixed('bodyweight', 'Code.code'));
    expect(PARENT_CODE.height.code).toBe(fixed('bodyheight', 'Code.code'));
    expect(PARENT_CODE.bmi.code).toBe(fixed('bmi', 'Code.code'));
  });
  it('category', () => {
    expect(VITAL_SIGNS_CATEGORY.system).toBe(fixed('vitalsigns', 'coding.system'));
    expect(VITAL_SIGNS_CATEGORY.code).toBe(fixed('vitalsigns', 'coding.code'));
  });
  it('units: no more and no fewer than ucum-bodyweight and ucum-bodylength', () => {
    expect(unitsOf('weight').sort()).toEqual([...UNIT_CODES.weight].sort());
    expect(unitsOf('height').sort()).toEqual([...UNIT_CODES.height].sort());
  });
});

describe('the negatives that HL7 publishes for vital signs', () => {
  const coded = (code: string): fhir4.CodeableConcept => ({ coding: [{ system: 'http://loinc.org', code }] });
  const reading: fhir4.Observation = {
    resourceType: 'Observation',
    status: 'final',
    category: [{ coding: [VITAL_SIGNS_CATEGORY] }],
    code: coded('29463-7'),
    subject: { reference: 'Patient/harbour-ada' },
    effectiveDateTime: '2016-03-28',
    valueQuantity: { value: 70.5, unit: 'kg', system: 'http://unitsofmeasure.org', code: 'kg' },
  };
  const { valueQuantity, ...withoutValue } = reading;
  const absent = { dataAbsentReason: { text: 'not performed' } };
  // HL7 FHIR R4 4.0.1, test cases of the invariants: obs-6.f1, obs-7.f1, vs-1.f1, vs-2.f1
  it.each([
    ['obs-6', { ...reading, ...absent }],
    ['obs-7', { ...reading, component: [{ code: coded('29463-7'), ...(valueQuantity && { valueQuantity }) }] }],
    ['vs-1', { ...reading, effectiveDateTime: '2023-03' }],
    ['vs-2', withoutValue],
  ])('%s fails, and only that', (key, resource) => {
    expect(checkInvariants('Observation', resource).map((fault) => fault.key)).toEqual([key]);
  });
  it('and the readings beside them pass', () => {
    expect(checkInvariants('Observation', reading)).toEqual([]);
    expect(checkInvariants('Observation', { ...withoutValue, ...absent })).toEqual([]);
  });
});
