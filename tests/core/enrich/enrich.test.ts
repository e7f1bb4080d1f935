import { describe, expect, it } from 'vitest';
import { conformObservation } from '../../../src/core/conform.ts';
import { enrich, type Enriched } from '../../../src/core/enrich/enrich.ts';
import { withMarks, withoutServiceMarks } from '../../../src/core/enrich/marks.ts';
import { stringifyExact, type JsonObject } from '../../../src/core/json.ts';
import { isHeld, toReading, type ExactObservation } from '../../../src/core/observation.ts';
import type { Context, DeviceFacts } from '../../../src/core/reading.ts';
import { METHODS, type Method } from '../../../src/core/methods.ts';
import { CLOTHING_ANSWERS, HELD_TAG, OURS, QUALIFIER, R4_PROFILE } from '../../../src/core/terminology.ts';
import { arrived } from '../../arrived.ts';
import { context, deepFreeze, height, NOW, observation, policyWith, reading, treeOf, weight } from '../../measurements.ts';

const SHAPES = ['component', 'extension'] as const;
type Shape = (typeof SHAPES)[number];
const shaped = (shape: Shape, device?: Partial<DeviceFacts>): Context =>
  context({
    policy: policyWith({ 'qualifiers.shape': shape }),
    ...(device && { device: { key: 'Device/s1', known: true, ...device } }),
  });

function enriched(sent: ExactObservation, around: Context = context()): Enriched {
  const reading = toReading(sent, { id: around.id, version: 1, person: 'Patient/ada' });
  if (reading === undefined) throw new Error('not a reading');
  return enrich(deepFreeze(sent), reading, around);
}

/** Each qualifier with its answer, whatever shape it has; `unknown` for a data-absent reason. */
function qualifiersOf(of: ExactObservation): Record<string, string | undefined> {
  const inComponents = (of.component ?? []).map(({ code, valueCodeableConcept, dataAbsentReason }) => [
    code.coding?.[0]?.code,
    valueCodeableConcept?.coding?.[0]?.code ?? dataAbsentReason?.coding?.[0]?.code,
  ]);
  const inExtensions = (of.extension ?? [])
    .filter(({ url }) => url === OURS.qualifierExtension)
    .map(({ extension = [] }) => [
      extension.find(({ url }) => url === 'qualifier')?.valueCoding?.code,
      extension.find(({ url }) => url === 'answer')?.valueCodeableConcept?.coding?.[0]?.code ??
        extension.find(({ url }) => url === 'absent')?.valueCode,
    ]);
  return Object.fromEntries([...inComponents, ...inExtensions].filter(([code]) => code !== 'gross' && code !== 'tare'));
}

const origins = ({ additions }: Enriched): Record<string, string> =>
  Object.fromEntries(additions.map(({ what, origin }) => [what, origin]));
const by = (method: Method) => ({ coding: [{ system: OURS.methodSystem, code: method }] });

describe.each(SHAPES)('in the shape of a %s', (shape) => {
  it('what nobody told is unknown, not invented', () => {
    const { observation: of, additions } = enriched(weight(), shaped(shape));
    expect(qualifiersOf(of)).toEqual({ method: 'unknown', '8356-8': 'unknown', '8352-7': 'unknown' });
    expect(new Set(additions.map(({ origin }) => origin))).toEqual(new Set(['unknown']));
    expect(of.method).toBeUndefined();
  });

  it('a method that was sent implies device and position', () => {
    const result = enriched(weight('70.0', 'kg', { method: by('wheelchair-platform') }), shaped(shape));
    expect(qualifiersOf(result.observation)).toEqual({
      method: 'wheelchair-platform',
      '8356-8': 'wheelchair-platform-scale',
      '8352-7': 'unknown',
      '8361-8': 'LA11868-9',
    });
    expect(origins(result)).toEqual({
      'Method of measuring': 'sent',
      'Type of weighing device': 'method',
      'Clothing worn during measure': 'unknown',
      'Body position with respect to gravity': 'method',
    });
  });

  it('a registered scale tells how it is used and what people wear on it', () => {
    const result = enriched(weight(), shaped(shape, { defaultMethod: 'bed-scale', defaultClothing: 'underwear' }));
    expect(qualifiersOf(result.observation)).toEqual({
      method: 'bed-scale',
      '8356-8': 'bed-scale',
      '8352-7': CLOTHING_ANSWERS.underwear.code,
      '8361-8': 'LA11869-7',
    });
    expect(new Set(Object.values(origins(result)))).toEqual(new Set(['device']));
    expect(result.observation.method?.coding?.[0]?.code).toBe('bed-scale');
    expect(result.reading).toMatchObject({ method: 'bed-scale', clothing: 'underwear', position: 'lying' });
  });

  it('a code tells clothing and position', () => {
    const undressed = enriched(observation('8351-9', '70.0', 'kg'), shaped(shape));
    expect(qualifiersOf(undressed.observation)['8352-7']).toBe(CLOTHING_ANSWERS.underwear.code);
    expect(origins(undressed)['Clothing worn during measure']).toBe('code');
    const lying = enriched(observation('8306-3', '170.0', 'cm'), shaped(shape));
    expect(qualifiersOf(lying.observation)).toEqual({ method: 'unknown', '41910-1': 'unknown', '8361-8': 'LA11869-7' });
    expect(origins(lying)['Body position with respect to gravity']).toBe('code');
  });

  it('what was sent goes before what the scale is used for', () => {
    const result = enriched(weight('70.0', 'kg', { method: by('sling-lift') }), shaped(shape, { defaultMethod: 'bed-scale' }));
    expect(qualifiersOf(result.observation)).toMatchObject({ method: 'sling-lift', '8356-8': 'sling-lift-scale' });
  });

  it('a scale for weights says nothing about a height', () => {
    expect(qualifiersOf(enriched(height(), shaped(shape, { defaultMethod: 'bed-scale' })).observation)).toEqual({
      method: 'unknown',
      '41910-1': 'unknown',
    });
  });

  it.each(Object.keys(METHODS) as Method[])('enriching a reading by %s again adds nothing', (method) => {
    const around = shaped(shape, { defaultMethod: method, defaultClothing: 'street-no-shoes' });
    for (const sent of [weight(), height(), observation('3141-9', '70.0', 'kg', { method: by('sling-lift') })]) {
      const once = enriched(sent, around);
      const twice = enriched(withoutServiceMarks(once.observation), around);
      expect(twice.additions).toEqual([]);
      expect(stringifyExact(twice.observation)).toBe(stringifyExact(once.observation));
    }
  });

  it('the result still conforms to FHIR', () => {
    for (const sent of [weight(), height(), weight('70.0', 'kg', { method: by('sling-lift') })])
      expect(conformObservation(arrived(enriched(sent, shaped(shape)).observation).tree).ok).toBe(true);
  });
});

describe('whatever was sent', () => {
  it('stays, in its place and with its digits', () => {
    const sent = weight('70.50', 'kg', {
      meta: { profile: ['https://h.example/p'], tag: [{ system: 'https://h.example', code: 'night' }], source: 'https://h.example/gw' },
      identifier: [{ system: 'https://h.example/r', value: '7' }],
      extension: [{ url: 'https://h.example/x', valueString: 'calm' }],
      component: [
        { code: { coding: [QUALIFIER.clothing] }, valueCodeableConcept: { coding: [{ system: 'http://loinc.org', code: 'LA-own' }] } },
      ],
      note: [{ text: 'Harbourlight Ward (invented)' }],
      performer: [{ display: 'night nurse' }],
    });
    for (const shape of SHAPES) {
      const { observation: of } = enriched(sent, shaped(shape));
      expect(kept(treeOf(of), treeOf(sent))).toEqual([]);
      expect(Object.keys(of).slice(0, Object.keys(sent).length)).toEqual(Object.keys(sent));
    }
  });

  it('is joined by the required code, our identifier and the profile of the shape', () => {
    const of = enriched(observation('3141-9', '70.0', 'kg')).observation;
    expect(of.code.coding?.map(({ code }) => code)).toEqual(['3141-9', '29463-7']);
    expect(of.identifier).toEqual([{ system: OURS.observationIdentifier, value: 'reading-1' }]);
    expect(of.meta?.profile).toEqual([OURS.bodyWeightProfile]);
    expect(enriched(height(), shaped('extension')).observation.meta?.profile).toEqual([R4_PROFILE.height, OURS.bodyHeightProfile]);
  });

  it('without a value gets no qualifiers', () => {
    const of = enriched(weight('1', 'kg', { valueQuantity: undefined, dataAbsentReason: { text: 'asleep' } })).observation;
    expect(qualifiersOf(of)).toEqual({});
  });
});

/** Paths at which `of` lacks what `sent` has; lists may have grown at their end. */
function kept(of: unknown, sent: unknown, path = ''): string[] {
  if (Array.isArray(sent)) return sent.flatMap((item, index) => kept((of as unknown[])[index], item, `${path}[${index}]`));
  if (sent === null || typeof sent !== 'object') return of === sent ? [] : [path];
  return Object.entries(sent).flatMap(([key, value]) => kept((of as JsonObject | undefined)?.[key], value, `${path}.${key}`));
}

describe('the marks of this service', () => {
  const marked = weight('70.0', 'kg', {
    status: 'preliminary',
    meta: { versionId: '7', lastUpdated: NOW, tag: [{ ...HELD_TAG }, { system: 'https://h.example', code: 'night' }] },
    identifier: [
      { system: OURS.observationIdentifier, value: 'somebody-elses' },
      { system: 'https://h.example/r', value: '7' },
    ],
    extension: [{ url: OURS.statusAsSentExtension, valueCode: 'final' }],
  });

  it('cannot be set by a sender', () => {
    const clean = withoutServiceMarks(deepFreeze(marked), {});
    expect(clean.status).toBe('preliminary');
    expect(clean.identifier).toEqual([{ system: 'https://h.example/r', value: '7' }]);
    expect(clean.meta).toEqual({ tag: [{ system: 'https://h.example', code: 'night' }] });
    expect(clean).not.toHaveProperty('extension');
    expect(isHeld(clean)).toBe(false);
  });

  it('leave nothing behind when they were all there was', () => {
    const clean = withoutServiceMarks(
      weight('70.0', 'kg', { meta: { tag: [{ ...HELD_TAG }] }, identifier: [{ system: OURS.observationIdentifier, value: 'x' }] }),
    );
    expect(stringifyExact(clean)).toBe(stringifyExact(weight()));
  });

  it('give a held reading its own status back when it is corrected, and only a status that FHIR knows', () => {
    const replaces = { status: 'preliminary', held: true, version: 1, person: 'Patient/ada', of: 'weight' } as const;
    const amended = weight('70.0', 'kg', { status: 'amended' });
    const held = withMarks(amended, reading(amended, 'r1', { held: true }));
    expect(held).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG] } });
    expect(withoutServiceMarks(held, { replaces }).status).toBe('amended');
    expect(withoutServiceMarks(held, { replaces: { ...replaces, held: false } }).status).toBe('preliminary');
    expect(withoutServiceMarks({ ...held, status: 'entered-in-error' }, { replaces }).status).toBe('entered-in-error');
    const forged = { ...held, extension: [{ url: OURS.statusAsSentExtension, valueCode: 'banana' }] };
    expect(withoutServiceMarks(forged, { replaces }).status).toBe('preliminary');
  });
});
