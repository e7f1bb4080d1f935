import { describe, expect, it } from 'vitest';
import { deriveBmi } from '../../../src/core/derive/bmi.ts';
import { bmiDraft, bmiIdOf, difference as differenceOf, type Derived } from '../../../src/core/derive/difference.ts';
import { stringifyExact } from '../../../src/core/json.ts';
import { conformObservation } from '../../../src/core/conform.ts';
import type { Context, Reading, StandingBmi } from '../../../src/core/reading.ts';
import { arrived } from '../../arrived.ts';
import { ADA, context, height, reading, weight } from '../../measurements.ts';

const W = reading(weight('80.0'), 'w1');
const H = reading(height('160.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }), 'h1', { version: 3 });
const STANDING: StandingBmi = {
  id: 'bmi-w1',
  version: 2,
  status: 'final',
  weightId: 'w1',
  heightId: 'h1',
  valueText: '31.3',
  effectiveText: '2026-03-02T08:00:00Z',
};

function difference(readings: readonly Reading[], standing: readonly StandingBmi[], changes: Partial<Context> = {}): Derived[] {
  const around = context({ standing, ...changes });
  return differenceOf(deriveBmi(readings, ADA, around.policy).drafts.map(bmiDraft), around);
}

const brief = (derived: readonly Derived[]) =>
  derived.map(({ id, version, observation, facts }) => ({
    id,
    version,
    status: observation.status,
    value: observation.valueQuantity?.value?.value,
    from: facts.derivedFrom,
  }));

describe('from nothing', () => {
  const [created] = difference([W, H], []);

  it('a BMI is made, for the time of its weight, derived from both, in the R4 profile', () => {
    expect(stringifyExact(created!.observation)).toBe(
      '{"resourceType":"Observation","id":"bmi-w1","meta":{"profile":["http://hl7.org/fhir/StructureDefinition/bmi","https://steelyard.example/fhir/StructureDefinition/derived-bmi"]},' +
        '"identifier":[{"system":"https://steelyard.example/fhir/identifier/observation","value":"bmi-w1"}],"status":"final",' +
        '"category":[{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/observation-category","code":"vital-signs","display":"Vital Signs"}]}],' +
        '"code":{"coding":[{"system":"http://loinc.org","code":"39156-5","display":"Body mass index (BMI) [Ratio]"}]},"subject":{"reference":"Patient/ada"},' +
        '"effectiveDateTime":"2026-03-02T08:00:00Z","valueQuantity":{"value":31.3,"unit":"kg/m2","system":"http://unitsofmeasure.org","code":"kg/m2"},' +
        '"derivedFrom":[{"reference":"Observation/w1"},{"reference":"Observation/h1"}]}',
    );
  });

  it('which conforms to FHIR', () => {
    expect(conformObservation(arrived(created!.observation).tree).ok).toBe(true);
  });

  it('and says of which versions it was made', () => {
    expect(created?.provenance).toMatchObject({
      id: 'prov-bmi-w1-1',
      target: [{ reference: 'Observation/bmi-w1/_history/1' }],
      activity: { coding: [{ code: 'CREATE' }] },
      entity: [
        { role: 'derivation', what: { reference: 'Observation/w1/_history/1' } },
        { role: 'derivation', what: { reference: 'Observation/h1/_history/3' } },
      ],
    });
  });

  it('a person known by an identifier stays so', () => {
    const [one] = difference([W, H], [], { person: { key: 'identifier:s|v', known: false } });
    expect(one?.observation.subject).toEqual({ identifier: { system: 's', value: 'v' } });
  });

  it('a trailing zero is written', () => {
    const [one] = difference([reading(weight('76.8'), 'w1'), H], []);
    expect(stringifyExact(one!.observation)).toContain('"value":30.0,');
  });
});

describe('from what stands', () => {
  it('nothing is stored when it is what ought to stand', () => {
    expect(difference([W, H], [STANDING])).toEqual([]);
  });

  it.each<[string, readonly Reading[], object]>([
    ['another value', [reading(weight('81.0'), 'w1'), H], { status: 'final', value: '31.6' }],
    ['another height', [W, { ...H, id: 'h2' }], { status: 'final', value: '31.3', from: ['w1', 'h2'] }],
    [
      'another time',
      [reading(weight('80.0', 'kg', { effectiveDateTime: '2026-03-02T08:30:00Z' }), 'w1'), H],
      { status: 'final', value: '31.3' },
    ],
    ['an amended weight', [{ ...W, status: 'amended' }, H], { status: 'amended', value: '31.3' }],
    ['a corrected height', [W, { ...H, status: 'corrected' }], { status: 'corrected', value: '31.3' }],
    [
      'both, of which corrected weighs more',
      [
        { ...W, status: 'amended' },
        { ...H, status: 'corrected' },
      ],
      { status: 'corrected', value: '31.3' },
    ],
  ])('%s gives the next version of the same BMI', (_what, readings, expected) => {
    const derived = difference(readings, [STANDING]);
    expect(brief(derived)).toEqual([{ id: 'bmi-w1', version: 3, from: ['w1', 'h1'], ...expected }]);
    expect(derived[0]?.provenance.activity?.coding?.[0]?.code).toBe('UPDATE');
  });

  it('a BMI that ought not to stand is entered in error, with what it said', () => {
    const [voided, ...others] = difference([W], [STANDING]);
    expect(others).toEqual([]);
    expect(brief([voided!])).toEqual([{ id: 'bmi-w1', version: 3, status: 'entered-in-error', value: '31.3', from: ['w1', 'h1'] }]);
    expect(voided?.observation.effectiveDateTime).toBe(STANDING.effectiveText);
    expect(voided?.provenance.entity).toEqual([{ role: 'revision', what: { reference: 'Observation/bmi-w1/_history/2' } }]);
  });

  it('what is entered in error already stays so, and comes back under the same id when it ought to', () => {
    const gone = { ...STANDING, status: 'entered-in-error' } as const;
    expect(difference([W], [gone])).toEqual([]);
    expect(brief(difference([W, H], [gone]))).toEqual([{ id: 'bmi-w1', version: 3, status: 'final', value: '31.3', from: ['w1', 'h1'] }]);
  });

  it('each weight has its own, changed or not', () => {
    const other = reading(weight('82.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' }), 'w2');
    expect(brief(difference([W, other, H], [STANDING]))).toEqual([
      { id: bmiIdOf({ id: 'w2' }), version: 1, status: 'final', value: '32.0', from: ['w2', 'h1'] },
    ]);
  });
});
