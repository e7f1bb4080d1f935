import { describe, expect, it } from 'vitest';
import { checkInvariants, INVARIANTS } from '../../../src/core/conformance/invariants.ts';
import { PROFILE_CONSTRAINTS } from '../../../src/core/conformance/profile-constraints.ts';
import { checkStructure, type ServedType } from '../../../src/core/conformance/structure.ts';
import { COMPONENT_SYSTEM, damaged, dataAbsent, LOINC, UCUM, WEIGHT, type Damage } from './readings.ts';

type Resource = Readonly<Record<string, unknown>> & { readonly resourceType: ServedType };

const brief = (resource: unknown): string[] =>
  checkInvariants((resource as Resource).resourceType, resource).map(({ key, expression }) => `${key} ${expression}`);

const kg = (value: number) => ({ value, unit: 'kg', system: UCUM, code: 'kg' });
const device = (more: object = {}) => ({ resourceType: 'Device', id: 'd', ...more });

describe('Observation', () => {
  const broken: readonly [title: string, damage: Damage, faults: string[]][] = [
    ['obs-6: value and reason for its absence', { dataAbsentReason: dataAbsent }, ['obs-6 Observation.dataAbsentReason']],
    [
      'obs-7: own code repeated by a component',
      { component: [{ code: WEIGHT.code, valueQuantity: kg(1) }] },
      ['obs-7 Observation.component[0].code'],
    ],
    [
      'obs-7: with another display, which the published expression overlooks',
      { component: [{ code: { coding: [{ system: LOINC, code: '29463-7', display: 'Weight' }] }, valueQuantity: kg(1) }] },
      ['obs-7 Observation.component[0].code'],
    ],
    ['vs-1: precise to the month', { effectiveDateTime: '2023-03' }, ['vs-1 Observation.effective']],
    ['vs-1: precise to the year', { effectiveDateTime: '2023' }, ['vs-1 Observation.effective']],
    ['vs-2: neither value nor reason', { valueQuantity: undefined, component: undefined }, ['vs-2 Observation.value']],
    ['vs-3: a component without either', { component: [{ code: { text: 'Clothing' } }] }, ['vs-3 Observation.component[0]']],
    ['obs-3: an empty reference range', { referenceRange: [{ appliesTo: [{ text: 'adults' }] }] }, ['obs-3 Observation.referenceRange[0]']],
    [
      'dom-2: contained in contained',
      { device: { reference: '#d' }, contained: [device({ contained: [device()] })] },
      ['dom-2 Observation.contained'],
    ],
    ['dom-3: contained and never mentioned', { contained: [device()] }, ['dom-3 Observation.contained[0]']],
    ['dom-3: contained without an id', { contained: [{ resourceType: 'Device' }] }, ['dom-3 Observation.contained[0]']],
    [
      'dom-4: contained with a version',
      { device: { reference: '#d' }, contained: [device({ meta: { versionId: '1' } })] },
      ['dom-4 Observation.contained'],
    ],
    [
      'dom-5: contained with a label',
      { device: { reference: '#d' }, contained: [device({ meta: { security: [{ code: 'R' }] } })] },
      ['dom-5 Observation.contained'],
    ],
    ['ref-1: a reference to nothing contained', { device: { reference: '#scale' } }, ['ref-1 Observation.device.reference']],
    ['ext-1: neither value nor extensions', { extension: [{ url: 'urn:x' }] }, ['ext-1 Observation.extension[0]']],
    [
      'ext-1: both, on a primitive',
      { _status: { extension: [{ url: 'urn:x', valueCode: 'a', extension: [{ url: 'y', valueCode: 'b' }] }] } },
      ['ext-1 Observation.status.extension[0]'],
    ],
    [
      'qty-3: a coded unit without system',
      { valueQuantity: { value: 70.5, unit: 'kg', code: 'kg' } },
      ['qty-3 Observation.value.ofType(Quantity).system'],
    ],
    [
      'per-1: end before start',
      { effectiveDateTime: undefined, effectivePeriod: { start: '2026-03-02T08:00:00Z', end: '2026-03-02T07:00:00Z' } },
      ['per-1 Observation.effective.ofType(Period).end'],
    ],
    [
      'per-1: across offsets',
      { effectiveDateTime: undefined, effectivePeriod: { start: '2026-03-02T08:00:00Z', end: '2026-03-02T08:30:00+01:00' } },
      ['per-1 Observation.effective.ofType(Period).end'],
    ],
    [
      'rng-2: low above high',
      { extension: [{ url: 'urn:x', valueRange: { low: kg(80), high: kg(70) } }] },
      ['rng-2 Observation.extension[0].value.ofType(Range).low'],
    ],
    [
      'rng-2: across units',
      { extension: [{ url: 'urn:x', valueRange: { low: kg(1), high: { value: 900, system: UCUM, code: 'g' } } }] },
      ['rng-2 Observation.extension[0].value.ofType(Range).low'],
    ],
    [
      'rat-1: half a ratio',
      { extension: [{ url: 'urn:x', valueRatio: { numerator: kg(80) } }] },
      ['rat-1 Observation.extension[0].value.ofType(Ratio)'],
    ],
    [
      'a fault inside a contained resource',
      { device: { reference: '#d' }, contained: [device({ patient: { reference: '#p' } })] },
      ['ref-1 Observation.contained[0].patient.reference'],
    ],
    [
      'sy-mass-1: tare in a unit that no weight may have',
      {
        component: [
          {
            code: { coding: [{ system: COMPONENT_SYSTEM, code: 'tare' }] },
            valueQuantity: { value: 1, unit: 'stone', system: UCUM, code: '[stone_av]' },
          },
        ],
      },
      ['sy-mass-1 Observation.component'],
    ],
    [
      'sy-qualifier-1: two answers about clothing',
      { component: [WEIGHT.component?.[0], WEIGHT.component?.[0]] },
      ['sy-qualifier-1 Observation.component[1].code'],
    ],
    [
      'sy-bmi-1: derived from one Observation twice',
      {
        code: { coding: [{ system: LOINC, code: '39156-5' }] },
        component: undefined,
        derivedFrom: [{ reference: 'Observation/a' }, { reference: 'Observation/a' }],
      },
      ['sy-bmi-1 Observation.derivedFrom[1].reference'],
    ],
  ];
  it.each(broken)('refuses %s', (_title, damage, faults) => {
    const resource = damaged(damage);
    expect(checkStructure('Observation', resource)).toEqual([]);
    expect(brief(resource)).toEqual(faults);
  });

  const sound: readonly [title: string, damage: Damage][] = [
    ['the reading as it is', {}],
    ['a time to the day', { effectiveDateTime: '2026-03-02' }],
    [
      'a Period, which the published vs-1 fails',
      { effectiveDateTime: undefined, effectivePeriod: { start: '2026-03-02', end: '2026-03-03' } },
    ],
    [
      'a Period of a day and a time in it, which cannot be compared',
      { effectiveDateTime: undefined, effectivePeriod: { start: '2026-03-02', end: '2026-03-02T07:30:00Z' } },
    ],
    ['no value but a reason', { valueQuantity: undefined, component: undefined, dataAbsentReason: dataAbsent }],
    ['no value but components', { valueQuantity: undefined }],
    ['own code repeated where there is no value', { valueQuantity: undefined, component: [{ code: WEIGHT.code, valueQuantity: kg(1) }] }],
    ['a contained scale that is referred to', { device: { reference: '#d' }, contained: [device()] }],
    [
      'a contained resource that refers to its container',
      { contained: [device({ note: [{ authorReference: { reference: '#' }, text: 'x' }] })] },
    ],
    ['a reference without text', { subject: { identifier: { system: 'https://harbourlight.example/people', value: '7' } } }],
    [
      'a low end equal to the high end, in other units',
      { extension: [{ url: 'urn:x', valueRange: { low: kg(0.3), high: { value: 300, system: UCUM, code: 'g' } } }] },
    ],
    [
      'gross and tare with a reason for the absence of one',
      {
        component: [
          { code: { coding: [{ system: COMPONENT_SYSTEM, code: 'gross' }] }, dataAbsentReason: dataAbsent },
          { code: { coding: [{ system: COMPONENT_SYSTEM, code: 'tare' }] }, valueQuantity: kg(12.5) },
        ],
      },
    ],
  ];
  it.each(sound)('has nothing against %s', (_title, damage) => {
    const resource = damaged(damage);
    expect(checkStructure('Observation', resource)).toEqual([]);
    expect(brief(resource)).toEqual([]);
  });

  it('quotes nothing that was sent', () => {
    const faults = checkInvariants('Observation', damaged({ device: { reference: '#Ada-Harbour' }, effectiveDateTime: '2023' }));
    expect(faults).toHaveLength(2);
    expect(JSON.stringify(faults)).not.toMatch(/Ada|2023/);
  });
});

describe('other resource types', () => {
  const bundle = (type: string, entry: object[], more: object = {}) => ({ resourceType: 'Bundle', type, entry, ...more });
  const post = { method: 'POST', url: 'Observation' };
  it.each([
    ['bdl-1', bundle('batch', [{ request: post }], { total: 1 }), ['bdl-1 Bundle.total']],
    ['bdl-2', bundle('batch', [{ request: post, search: { mode: 'match' } }]), ['bdl-2 Bundle.entry[0].search']],
    ['bdl-3, missing', bundle('transaction', [{ request: post }, { resource: WEIGHT }]), ['bdl-3 Bundle.entry[1].request']],
    ['bdl-3, superfluous', bundle('collection', [{ request: post }]), ['bdl-3 Bundle.entry[0].request']],
    ['bdl-4', bundle('batch-response', [{ resource: WEIGHT }]), ['bdl-4 Bundle.entry[0].response']],
    ['bdl-5', bundle('collection', [{ fullUrl: 'urn:uuid:1' }]), ['bdl-5 Bundle.entry[0]']],
    [
      'bdl-7',
      bundle('batch', [
        { fullUrl: 'urn:a', request: post },
        { fullUrl: 'urn:a', request: post },
      ]),
      ['bdl-7 Bundle.entry[1].fullUrl'],
    ],
    [
      'bdl-8',
      bundle('collection', [{ fullUrl: 'https://h.example/Device/1/_history/2', resource: device() }]),
      ['bdl-8 Bundle.entry[0].fullUrl'],
    ],
    [
      'bdl-9 to 11',
      bundle('document', [{ resource: device() }]),
      ['bdl-9 Bundle.identifier', 'bdl-10 Bundle.timestamp', 'bdl-11 Bundle.entry'],
    ],
    ['bdl-12', bundle('message', [{ resource: device() }]), ['bdl-12 Bundle.entry']],
    ['nothing in an empty batch', bundle('batch', []), []],
    ['dom-3 of a Patient', { resourceType: 'Patient', contained: [device()] }, ['dom-3 Patient.contained[0]']],
    ['ref-1 of a Device', { resourceType: 'Device', owner: { reference: '#x' } }, ['ref-1 Device.owner.reference']],
    ['ext-1 of a DeviceMetric', { resourceType: 'DeviceMetric', extension: [{ url: 'urn:x' }] }, ['ext-1 DeviceMetric.extension[0]']],
    [
      'qty-3 within a Device property',
      { resourceType: 'Device', property: [{ type: { text: 'x' }, valueQuantity: [{ value: 1, code: 'g' }] }] },
      ['qty-3 Device.property[0].valueQuantity[0].system'],
    ],
  ])('finds %s', (_title, resource, faults) => {
    expect(brief(JSON.parse(JSON.stringify(resource)))).toEqual(faults);
  });

  it('leaves entries of a Bundle to their own check', () => {
    expect(brief(bundle('batch', [{ request: post, resource: damaged({ valueQuantity: { value: 1, code: 'kg' } }) as object }]))).toEqual(
      [],
    );
  });
});

describe('the table', () => {
  it('has every key once', () => {
    const keys = [...INVARIANTS, ...PROFILE_CONSTRAINTS].map(({ key }) => key);
    expect(new Set(keys).size).toBe(keys.length);
  });
  it('judges a large reading in time that grows with its size only', () => {
    const contained = Array.from({ length: 5000 }, (_, index) => ({ resourceType: 'Device', id: `d${index}` }));
    const performer = Array.from({ length: 5000 }, (_, index) => ({ reference: `#d${index}` }));
    const derivedFrom = Array.from({ length: 5000 }, (_, index) => ({ reference: `Observation/${index}` }));
    const started = performance.now();
    expect(brief({ ...WEIGHT, code: { coding: [{ system: LOINC, code: '39156-5' }] }, contained, performer, derivedFrom })).toEqual([]);
    expect(performance.now() - started).toBeLessThan(1000);
  });
});
