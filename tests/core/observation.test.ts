import { describe, expect, it } from 'vitest';
import {
  codedMeasure,
  effectiveOf,
  exactQuantity,
  isHeld,
  sentClothing,
  sentMethod,
  sentPosition,
  toReading,
} from '../../src/core/observation.ts';
import { devicePointer, keyOf, pointerOf } from '../../src/core/pointers.ts';
import { HELD_TAG, LOINC_CODES, MDC_CODES, OURS, QUALIFIER } from '../../src/core/terminology.ts';
import { coded, height, measured, observation, weight } from '../measurements.ts';

const MDC = 'urn:iso:std:iso:11073:10101';
const LOINC = 'http://loinc.org';
const codes = (...list: readonly (readonly [string, string])[]) =>
  weight('70.0', 'kg', { code: { coding: list.map(([system, code]) => ({ system, code })) } });

describe('how a number came about', () => {
  it.each([
    ['414135002', 'estimated'],
    ['733985002', 'stated'],
    ['258104002', 'measured'],
    ['999', 'measured'],
  ])('is also read from the method: %s is %s', (code, basis) => {
    expect(codedMeasure(weight('70.0', 'kg', { method: { coding: [{ system: 'http://snomed.info/sct', code }] } }))).toMatchObject({
      basis,
    });
  });
});

describe('the code', () => {
  it.each(LOINC_CODES)('$code is a $basis $of', ({ code, of, basis }) => {
    expect(codedMeasure(observation(code, '1', 'kg'))).toMatchObject({ of, basis, fromMdc: false, conflicting: false });
  });

  it.each(MDC_CODES)('$code of IEEE 11073 is a $of', ({ code, of }) => {
    expect(codedMeasure(codes([MDC, code]))).toEqual({ of, basis: 'measured', hasParent: false, fromMdc: true, conflicting: false });
  });

  it('is what the specific coding says, beside the required one', () => {
    expect(codedMeasure(codes([LOINC, '29463-7'], [LOINC, '8351-9']))).toEqual({
      of: 'weight',
      basis: 'measured',
      clothing: 'without',
      hasParent: true,
      fromMdc: false,
      conflicting: false,
    });
    expect(codedMeasure(codes([LOINC, '29463-7'], [LOINC, '3142-7']))).toMatchObject({ basis: 'stated' });
    expect(codedMeasure(codes([LOINC, '8306-3']))).toMatchObject({ of: 'height', position: 'lying', hasParent: false });
  });

  it('is none when nobody knows it, and in conflict when it means two things', () => {
    expect(codedMeasure(codes([LOINC, '9843-4'], ['http://loinc.org/', '29463-7']))).toBeUndefined();
    expect(codedMeasure(codes([LOINC, '29463-7'], [LOINC, '8302-2']))).toMatchObject({ conflicting: true });
    expect(codedMeasure(codes([LOINC, '29463-7'], [MDC, '188740']))).toMatchObject({ of: 'weight', conflicting: true });
  });
});

describe('the time of measuring', () => {
  const period = (effectivePeriod: { start?: string; end?: string }) =>
    effectiveOf(weight('70.0', 'kg', { effectiveDateTime: undefined, effectivePeriod }));

  it('of a period runs from its start to its end', () => {
    expect(period({ start: '2026-03-02T08:00:00Z', end: '2026-03-02T08:01:00Z' })).toEqual({
      text: '2026-03-02T08:00:00Z',
      startMs: Date.parse('2026-03-02T08:00:00Z'),
      endMs: Date.parse('2026-03-02T08:01:00Z'),
      precision: 'time',
    });
    expect(period({ start: '2026-03-02T08:00:00Z' })?.endMs).toBe(Date.parse('2026-03-02T08:00:00Z'));
  });

  it('is nothing without a usable start or end', () => {
    expect([period({}), period({ end: '2026-03-02' }), period({ start: '2026' }), period({ start: '2026-03-02', end: '2026-03' })]).toEqual(
      Array(4).fill(undefined),
    );
  });
});

describe('a reference', () => {
  it.each([
    [{ reference: 'Patient/ada' }, 'Patient/ada'],
    [{ reference: 'Patient/ada/_history/2' }, 'Patient/ada'],
    [{ reference: 'https://ehr.example/fhir/Patient/ada' }, 'Patient/ada'],
    [{ reference: 'Patient/ada', identifier: { system: 's', value: 'v' } }, 'Patient/ada'],
    [{ identifier: { system: 'https://h.example/p', value: 'HL|1' } }, 'identifier:https://h.example/p|HL|1'],
  ])('%j names %s', (reference, key) => {
    expect(keyOf(pointerOf(reference, ['https://ehr.example/fhir']))).toBe(key);
  });

  it.each([
    [undefined, 'missing'],
    [{ display: 'Ada' }, 'display-only'],
    [{ identifier: { value: 'HL-1' } }, 'display-only'],
    [{ reference: '#ada' }, 'contained'],
    [{ reference: 'urn:uuid:0b49fe9e-608d-4ec4-9070-37b2a2ca1721' }, 'unresolved'],
    [{ reference: 'Patient?identifier=s|v' }, 'conditional'],
    [{ reference: 'https://other.example/fhir/Patient/ada' }, 'elsewhere'],
    [{ reference: 'https://ehr.example/fhirPatient/ada' }, 'elsewhere'],
    [{ reference: 'https://ehr.example/fhir2Patient/ada' }, 'elsewhere'],
    [{ reference: 'patient/ada' }, 'elsewhere'],
    [{ reference: `Patient/${'a'.repeat(65)}` }, 'elsewhere'],
    [{ reference: 'Patient/a/b' }, 'elsewhere'],
  ])('%j is %s', (reference, kind) => {
    const pointer = pointerOf(reference, ['https://ehr.example/fhir']);
    expect(pointer.kind).toBe(kind);
    expect(keyOf(pointer)).toBeUndefined();
  });

  it('to a contained device stands for its first identifier', () => {
    const device = { resourceType: 'Device', id: 'd', identifier: [{ value: 'no system' }, { system: 'urn:serial', value: 'S1' }] };
    const of = (contained: object) =>
      devicePointer(weight('70.0', 'kg', { device: { reference: '#d' }, contained: [contained as never] }), []);
    expect(keyOf(of(device))).toBe('identifier:urn:serial|S1');
    expect(of({ resourceType: 'Device', id: 'd' })).toEqual({ kind: 'contained', fragment: 'd' });
    expect(of({ ...device, resourceType: 'Location' })).toEqual({ kind: 'contained', fragment: 'd' });
  });
});

describe('a qualifier', () => {
  const component = (code: { system: string; code: string }, answer: { system: string; code: string }) => ({
    component: [{ code: { coding: [code] }, valueCodeableConcept: { coding: [answer] } }],
  });
  const extension = (code: { system: string; code: string }, answer: { system: string; code: string }) => ({
    extension: [
      {
        url: OURS.qualifierExtension,
        extension: [
          { url: 'qualifier', valueCoding: { system: code.system, code: code.code } },
          { url: 'answer', valueCodeableConcept: { coding: [answer] } },
        ],
      },
    ],
  });

  it.each([
    ['component', component],
    ['extension', extension],
  ])('is read from a %s', (_shape, shaped) => {
    const qualified = (...[code, answer]: Parameters<typeof component>) => weight('70.0', 'kg', shaped(code, answer));
    expect(sentClothing(qualified(QUALIFIER.clothing, { system: LOINC, code: 'LA11871-3' }))).toBe('underwear');
    expect(sentPosition(qualified(QUALIFIER.position, { system: LOINC, code: 'LA11868-9' }))).toBe('sitting');
    expect(sentMethod(qualified(QUALIFIER.method, { system: OURS.methodSystem, code: 'sling-lift' }))).toBe('sling-lift');
    expect(sentMethod(qualified(QUALIFIER.weighingDevice, { system: OURS.deviceKindSystem, code: 'bed-scale' }))).toBe('bed-scale');
    expect(sentClothing(qualified(QUALIFIER.clothing, { system: LOINC, code: 'LA-other' }))).toBeUndefined();
  });

  it('in Observation.method goes before a component', () => {
    const both = weight('70.0', 'kg', {
      method: { coding: [{ system: OURS.methodSystem, code: 'chair-scale' }] },
      ...component(QUALIFIER.method, { system: OURS.methodSystem, code: 'sling-lift' }),
    });
    expect(sentMethod(both)).toBe('chair-scale');
  });
});

describe('decoding', () => {
  const who = { id: 'r1', version: 1, person: 'Patient/ada', device: 'Device/s1' };

  it('gives what the Observation says and nothing else', () => {
    expect(toReading(weight('70.50'), { id: 'r1', version: 1, person: 'Patient/ada' })).toEqual({
      id: 'r1',
      version: 1,
      of: 'weight',
      basis: 'measured',
      status: 'final',
      held: false,
      quantity: { text: '70.50', unit: 'kg', value: { coefficient: 7050n, scale: 2 } },
      effective: effectiveOf(weight()),
      person: 'Patient/ada',
      tieKey: '70.50 kg',
    });
  });

  it('reads gross, tare, device, clothing and position', () => {
    const part = (code: 'gross' | 'tare', value: string) => ({
      code: { coding: [{ system: OURS.componentSystem, code }] },
      valueQuantity: measured(value, 'kg'),
    });
    const full = observation('8351-9', '70.0', 'kg', {
      component: [part('gross', '82.5'), part('tare', '12.5')],
      method: { coding: [{ system: OURS.methodSystem, code: 'wheelchair-platform' }] },
      identifier: [
        { system: OURS.observationIdentifier, value: 'ours' },
        { system: 'https://h.example/r', value: '7' },
      ],
    });
    expect(toReading(full, who)).toMatchObject({
      device: 'Device/s1',
      clothing: 'underwear',
      position: 'sitting',
      method: 'wheelchair-platform',
      gross: { text: '82.5' },
      tare: { text: '12.5' },
      tieKey: 'https://h.example/r|7',
    });
  });

  it('has no quantity where a reason stands instead', () => {
    const reading = toReading(weight('1', 'kg', { valueQuantity: undefined, dataAbsentReason: { text: 'asleep' } }), who);
    expect(reading).toBeDefined();
    expect(reading).not.toHaveProperty('quantity');
  });

  it('gives nothing for what is no reading', () => {
    const undecodable = [
      weight('70.0', 'cm'),
      weight('70.0', 'KG'),
      height('170.0', 'kg'),
      weight('70.0', 'kg', { effectiveDateTime: '2026' }),
      observation('39156-5', '24.2', 'kg/m2'),
      codes([LOINC, '29463-7'], [LOINC, '8302-2']),
      weight('70.0', 'kg', { code: coded('9843-4') }),
    ];
    expect(undecodable.map((one) => toReading(one, who))).toEqual(undecodable.map(() => undefined));
  });

  it('reads a Quantity only with value, UCUM and a unit of the measure', () => {
    expect(exactQuantity(undefined, 'weight')).toBeUndefined();
    expect(
      exactQuantity(
        weight('70.0', 'kg', { valueQuantity: { unit: 'kg', system: 'http://unitsofmeasure.org', code: 'kg' } }).valueQuantity,
        'weight',
      ),
    ).toBeUndefined();
    expect(exactQuantity(weight().valueQuantity, 'height')).toBeUndefined();
  });

  it('takes as held only what carries our tag', () => {
    expect(isHeld(weight('70.0', 'kg', { meta: { tag: [{ system: HELD_TAG.system, code: HELD_TAG.code }] } }))).toBe(true);
    expect(isHeld(weight('70.0', 'kg', { status: 'preliminary', meta: { tag: [{ system: 'https://h.example', code: 'held' }] } }))).toBe(
      false,
    );
  });
});
