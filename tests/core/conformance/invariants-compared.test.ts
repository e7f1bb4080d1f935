import fc from 'fast-check';
import fhirpath from 'fhirpath';
import r4 from 'fhirpath/fhir-context/r4';
import { describe, expect, it } from 'vitest';
import { checkInvariants, INVARIANTS } from '../../../src/core/conformance/invariants.ts';
import { PROFILE_CONSTRAINTS } from '../../../src/core/conformance/profile-constraints.ts';
import { checkStructure } from '../../../src/core/conformance/structure.ts';
import { COMPONENT_SYSTEM, dataAbsent, LOINC, UCUM } from './readings.ts';

type Resource = Readonly<Record<string, unknown>>;

/** HL7 FHIR R4 4.0.1, StructureDefinitions Observation, vitalsigns, Bundle and data types, verbatim. */
const PUBLISHED: Readonly<Record<string, { readonly on: string; readonly expression: string }>> = {
  'dom-2': { on: 'Observation', expression: 'contained.contained.empty()' },
  'dom-4': { on: 'Observation', expression: 'contained.meta.versionId.empty() and contained.meta.lastUpdated.empty()' },
  'dom-5': { on: 'Observation', expression: 'contained.meta.security.empty()' },
  'obs-3': { on: 'Observation.referenceRange', expression: 'low.exists() or high.exists() or text.exists()' },
  'obs-6': { on: 'Observation', expression: 'dataAbsentReason.empty() or value.empty()' },
  'vs-2': {
    on: 'Observation',
    expression: '(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())',
  },
  'vs-3': { on: 'Observation.component', expression: 'value.exists() or dataAbsentReason.exists()' },
  'ext-1': { on: 'Extension', expression: 'extension.exists() != value.exists()' },
  'qty-3': { on: 'Quantity', expression: 'code.empty() or system.exists()' },
  'rat-1': { on: 'Ratio', expression: '(numerator.empty() xor denominator.exists()) and (numerator.exists() or extension.exists())' },
};
const OBS_7 = 'value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()';

const maybe = <T>(arbitrary: fc.Arbitrary<T>) => fc.option(arbitrary, { nil: undefined });
const quantity = fc.record({
  value: fc.integer({ min: 1, max: 3 }),
  code: maybe(fc.constantFrom('kg', 'g')),
  system: maybe(fc.constant(UCUM)),
});
const coding = fc.record({
  system: maybe(fc.constantFrom(LOINC, COMPONENT_SYSTEM)),
  code: maybe(fc.constantFrom('29463-7', 'tare', 'gross', '8352-7')),
  display: fc.constantFrom('a', 'b'),
});
const concept = fc.record({ coding: fc.array(coding, { minLength: 1, maxLength: 2 }) });
const extension = fc.record({
  url: fc.constant('urn:x'),
  valueRatio: maybe(fc.record({ numerator: maybe(quantity), denominator: maybe(quantity) }, { requiredKeys: [] })),
  extension: maybe(fc.constant([{ url: 'urn:y', valueCode: 'z' }])),
});
const containedDevice = fc.record({
  resourceType: fc.constant('Device'),
  id: maybe(fc.constantFrom('d', 'e')),
  meta: maybe(fc.constantFrom({ versionId: '1' }, { lastUpdated: '2026-03-02T07:30:00Z' }, { security: [{ code: 'R' }] })),
  owner: maybe(fc.record({ reference: fc.constantFrom('#', '#d', '#e', 'Organization/1') })),
  contained: maybe(fc.constant([{ resourceType: 'Device', id: 'd' }])),
});
const observation = fc.record({
  resourceType: fc.constant('Observation' as const),
  status: fc.constant('final'),
  code: concept,
  subject: fc.record({ reference: maybe(fc.constantFrom('#', '#d', '#x', 'Patient/1')), display: fc.constant('x') }),
  device: maybe(fc.record({ reference: fc.constantFrom('#d', '#e') })),
  effectiveDateTime: maybe(fc.constantFrom('2026', '2026-03', '2026-03-02', '2026-03-02T07:30:00Z')),
  valueQuantity: maybe(quantity),
  dataAbsentReason: maybe(fc.constant(dataAbsent)),
  hasMember: maybe(fc.constant([{ reference: 'Observation/1' }])),
  derivedFrom: maybe(fc.array(fc.record({ reference: fc.constantFrom('Observation/1', 'Observation/2') }), { minLength: 1, maxLength: 3 })),
  referenceRange: maybe(fc.constantFrom([{ text: 'x' }], [{ age: { low: { value: 1 } } }])),
  extension: maybe(fc.array(extension, { minLength: 1, maxLength: 2 })),
  component: maybe(
    fc.array(fc.record({ code: concept, valueQuantity: maybe(quantity), dataAbsentReason: maybe(fc.constant(dataAbsent)) }), {
      minLength: 1,
      maxLength: 3,
    }),
  ),
  contained: maybe(fc.array(containedDevice, { minLength: 1, maxLength: 2 })),
});
const generated = observation
  .map((resource) => JSON.parse(JSON.stringify(resource)) as Resource)
  .filter((resource) => checkStructure('Observation', resource).length === 0);

/** Every element of a type, found without the walker under test. fhirpath does not know an Extension by its type. */
function elementsOf(resource: Resource, on: string): unknown[] {
  if (on === 'Observation') return [resource];
  const path = on.includes('.') ? on : on === 'Extension' ? 'extension | descendants().extension' : `descendants().ofType(${on})`;
  return fhirpath.evaluate(resource, path, { resource }, r4) as unknown[];
}

function holds(resource: Resource, { on, expression }: { readonly on: string; readonly expression: string }): boolean {
  const path = on === 'Observation' ? expression : { base: on, expression };
  return elementsOf(resource, on).every((element) => {
    const result = fhirpath.evaluate(element, path, { resource, rootResource: resource }, r4) as unknown[];
    return result.length === 1 && result[0] === true;
  });
}

describe('constraints compared on generated Observations', () => {
  it('finds what the published expressions find, where these are not faulty', () => {
    fc.assert(
      fc.property(generated, (resource) => {
        const found = new Set(checkInvariants('Observation', resource).map(({ key }) => key));
        for (const [key, published] of Object.entries(PUBLISHED)) expect([key, found.has(key)]).toEqual([key, !holds(resource, published)]);
        if (!holds(resource, { on: 'Observation', expression: OBS_7 })) expect(found).toContain('obs-7');
      }),
      { numRuns: 150, seed: 20261125 },
    );
  });

  it('finds the same whether or not it spares itself expressions that cannot fail', () => {
    fc.assert(
      fc.property(generated, (resource) => {
        expect(checkInvariants('Observation', resource)).toEqual(checkInvariants('Observation', resource, { thorough: true }));
      }),
      { numRuns: 250, seed: 20261125 },
    );
  });

  it('judges by hand as the expression beside it does', () => {
    const byHand = [...INVARIANTS, ...PROFILE_CONSTRAINTS].filter(
      ({ byHand: judge, key }) => judge !== undefined && !['obs-7', 'bdl-7'].includes(key),
    );
    expect(byHand.map(({ key }) => key)).toEqual(['dom-3', 'ref-1', 'sy-qualifier-1', 'sy-bmi-1']);
    fc.assert(
      fc.property(generated, (resource) => {
        for (const { key, on, expression } of byHand) {
          const ofMeasure = key === 'sy-qualifier-1' ? '29463-7' : key === 'sy-bmi-1' ? '39156-5' : undefined;
          const subject = ofMeasure === undefined ? resource : { ...resource, code: { coding: [{ system: LOINC, code: ofMeasure }] } };
          const found = checkInvariants('Observation', subject).some((fault) => fault.key === key);
          expect([key, found]).toEqual([key, !holds(subject, { on: on === 'DomainResource' ? 'Observation' : on, expression })]);
        }
      }),
      { numRuns: 150, seed: 20261125 },
    );
  });
});
