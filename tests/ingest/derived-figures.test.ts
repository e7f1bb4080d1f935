/** Published worked examples through the whole use case: posted as readings, read as Observations. */
import { describe, expect, it } from 'vitest';
import { conformObservation } from '../../src/core/conform.ts';
import type { JsonObject } from '../../src/core/json.ts';
import { exactNumber } from '../../src/core/json.ts';
import type { ExactObservation } from '../../src/core/observation.ts';
import { OURS, SYSTEM } from '../../src/core/terminology.ts';
import { arrived } from '../arrived.ts';
import { ADJUSTED_WEIGHT, BODY_SURFACE, IDEAL_WEIGHT } from '../published/derived-figures.ts';
import { CDC_ROWS, tablesOf, WHO_SD_COLUMNS } from '../published/growth-examples.ts';
import { height, policyWith, weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const EARLIER = '2026-03-02T07:55:00Z';
const patient = (gender: string, birthDate: string) => ({ resourceType: 'Patient', id: 'ada', gender, birthDate });

async function valueOf(desk: Desk, id: string): Promise<string> {
  const tree = await desk.tree(id);
  expect(conformObservation(arrived(tree).tree)).toMatchObject({ ok: true });
  const { value, code } = (tree as unknown as ExactObservation).valueQuantity ?? {};
  return `${value?.value} ${code}`;
}

const textOf = (tree: JsonObject): string => (tree as unknown as ExactObservation).method?.text ?? '';
const codesOf = (tree: JsonObject): unknown[] => (tree as unknown as ExactObservation).code.coding?.map(({ code }) => code) ?? [];

describe('body surface area', () => {
  const [example] = BODY_SURFACE;
  it.each([
    ['mosteller', '1.82 m2', 'Mosteller'],
    ['dubois', '1.81 m2', 'Du Bois'],
  ] as const)('by %s of 70 kg and 170 cm, as published, with its formula and caution', async (formula, expected, named) => {
    expect([example?.kg, example?.cm, example?.[formula].slice(0, 4)]).toEqual(['70', '170', formula === 'mosteller' ? '1.81' : '1.80']);
    const desk = await openDesk({ policy: policyWith({ 'derive.bodySurface': formula }) });
    await desk.post(height('170.0', 'cm', { effectiveDateTime: EARLIER }));
    const id = idOf(await desk.post(weight('70.0')));
    expect(await valueOf(desk, `surface-${id}`)).toBe(expected);
    const tree = await desk.tree(`surface-${id}`);
    expect(textOf(tree)).toContain(named);
    expect(textOf(tree)).toContain('A dosing input that needs a clinical owner');
    expect(codesOf(tree)).toEqual(['3140-1']);
  });

  it('is off until the policy names a formula', async () => {
    const desk = await openDesk();
    await desk.post(height('170.0', 'cm', { effectiveDateTime: EARLIER }));
    const id = idOf(await desk.post(weight('70.0')));
    expect(await desk.store.read.current('Observation', `surface-${id}`)).toBeUndefined();
    expect(await desk.store.read.current('Observation', `bmi-${id}`)).toBeDefined();
  });
});

describe('ideal and adjusted weight', () => {
  const policy = policyWith({ 'derive.idealWeight': true, 'derive.adjustedWeight': true });

  it.each(IDEAL_WEIGHT)('of somebody $sex and $inches in tall is $kg kg ($source)', async ({ sex, inches, kg }) => {
    const desk = await openDesk({ policy });
    await desk.put('Patient', patient(sex, '1980-05-17'));
    const id = idOf(await desk.post(height(`${inches}.0`, '[in_i]')));
    expect(await valueOf(desk, `ideal-${id}`)).toBe(`${kg} kg`);
    expect(codesOf(await desk.tree(`ideal-${id}`))).toEqual(['50064-5']);
  });

  it.each(ADJUSTED_WEIGHT)('of somebody $sex, $inches in and $actual kg is $kg kg ($source)', async ({ sex, inches, actual, kg }) => {
    const desk = await openDesk({ policy: { ...policy, outcomes: { 'bmi-unusual': 'warn', 'mixup-pounds-as-kilograms': 'warn' } } });
    await desk.put('Patient', patient(sex, '1980-05-17'));
    await desk.post(height(`${inches}.0`, '[in_i]', { effectiveDateTime: EARLIER }));
    const id = idOf(await desk.post(weight(actual)));
    expect(await valueOf(desk, `adjusted-${id}`)).toBe(`${kg} kg`);
    expect(textOf(await desk.tree(`adjusted-${id}`))).toContain('A dosing input that needs a clinical owner');
  });

  it('is not derived for a child, nor without a sex that the formula knows', async () => {
    const desk = await openDesk({ policy });
    const id = idOf(await desk.post(height('170.0')));
    await desk.put('Patient', patient('male', '2012-05-17'));
    expect(await desk.store.read.current('Observation', `ideal-${id}`)).toBeUndefined();
    await desk.put('Patient', patient('unknown', '1980-05-17'));
    expect(await desk.store.read.current('Observation', `ideal-${id}`)).toBeUndefined();
    await desk.put('Patient', patient('female', '1980-05-17'));
    expect(await valueOf(desk, `ideal-${id}`)).toBe('61.4 kg');
  });
});

describe('a child with growth tables', () => {
  const whoWeight = WHO_SD_COLUMNS.find(({ title }) => title === 'weight of boys on day 274')!;

  it('gets z-score and percentile of the weight, with LOINC where there is a code (WHO 2006, boys, day 274)', async () => {
    const desk = await openDesk({ growth: tablesOf(whoWeight.row) });
    await desk.put('Patient', patient('male', '2025-06-01'));
    const id = idOf(await desk.post(weight('8.900')));
    expect(await valueOf(desk, `weight-z-${id}`)).toBe('0.00 1');
    expect(await valueOf(desk, `weight-pct-${id}`)).toBe('49.9 %');
    expect(codesOf(await desk.tree(`weight-pct-${id}`))).toEqual(['8336-0', 'weight-for-age-percentile']);
    expect(codesOf(await desk.tree(`weight-z-${id}`))).toEqual(['weight-for-age-z-score']);
    expect(textOf(await desk.tree(`weight-z-${id}`))).toContain('WHO Child Growth Standards 2006, weight-for-age');
    const provenance = await desk.store.read.current('Provenance', `prov-weight-z-${id}-1`);
    expect(provenance?.text).toContain('"url":"growthTables","valueString":"one row"');
  });

  it('gets them of the BMI, beyond the 95th percentile by the extended method (CDC 2022)', async () => {
    const desk = await openDesk({ growth: tablesOf(CDC_ROWS.boyBmi48) });
    await desk.put('Patient', patient('male', '2022-03-02'));
    await desk.post(height('100.0', 'cm', { effectiveDateTime: EARLIER }));
    const id = idOf(await desk.post(weight('20.0')));
    const percentile = await desk.tree(`bmi-pct-${id}`);
    expect(codesOf(percentile)).toEqual(['59576-9', 'bmi-for-age-percentile']);
    expect(percentile['category']).toBeDefined();
    expect(textOf(percentile)).toContain('extended method');
    const components = (await desk.tree(`bmi-z-${id}`)) as unknown as ExactObservation;
    expect(components.component?.map(({ code }) => code.coding?.[0]?.code)).toEqual([
      'bmi-for-age-modified-z-score',
      'bmi-percent-of-95th-percentile',
    ]);
  });

  it('gets a larger percentile lying than standing, at one and the same number (0.7 cm)', async () => {
    const lengths = WHO_SD_COLUMNS.find(({ title }) => title === 'length of boys on day 365')!;
    const desk = await openDesk({ growth: tablesOf(lengths.row) });
    await desk.put('Patient', patient('male', '2025-03-02'));
    const as = (code: string, effectiveDateTime: string) =>
      height('75.0', 'cm', { code: { coding: [{ system: SYSTEM.loinc, code }] }, effectiveDateTime });
    const lying = idOf(await desk.post(as('8306-3', '2026-03-02T08:00:00Z')));
    const answer = await desk.post(as('8308-9', '2026-03-02T09:00:00Z'));
    expect(rulesIn(answer)).toContain('length-height-adjusted');
    expect([await valueOf(desk, `height-z-${lying}`), await valueOf(desk, `height-z-${idOf(answer)}`)]).toEqual(['-0.31 1', '-0.02 1']);
  });

  it('loses them when the birth date turns out to be another', async () => {
    const desk = await openDesk({ growth: tablesOf(whoWeight.row) });
    await desk.put('Patient', patient('male', '2025-06-01'));
    const id = idOf(await desk.post(weight('8.900')));
    await desk.put('Patient', patient('male', '2024-06-01'));
    expect(await desk.tree(`weight-z-${id}`)).toMatchObject({ status: 'entered-in-error' });
  });
});

describe('somebody who cannot stand', () => {
  const limb = (code: string, cm: string, changes: object = {}) =>
    height('1', 'cm', {
      valueQuantity: undefined,
      dataAbsentReason: { coding: [{ system: SYSTEM.dataAbsentReason, code: 'not-performed' }] },
      component: [
        {
          code: { coding: [{ system: OURS.derivedSystem, code }] },
          valueQuantity: { value: exactNumber(cm), unit: 'cm', system: SYSTEM.ucum, code: 'cm' },
        },
      ],
      effectiveDateTime: EARLIER,
      ...changes,
    });

  it.each([
    // 84.88 - 0.24 * 70 + 1.83 * 48.0 (Chumlea 1985)
    ['knee-height', '48.0', '1955-05-17', '155.9 cm', 'Chumlea'],
    // 95.6 + 2.77 * 25.5 (BAPEN): 166 in the printed table
    ['ulna-length', '25.5', '1980-05-17', '166.2 cm', 'BAPEN'],
    // 60.1 + 1.35 * 76.0 (Bassey 1986, from memory)
    ['demispan', '76.0', '1980-05-17', '162.7 cm', 'Bassey'],
  ])('gets a height from the %s of %s cm, coded as estimated', async (code, cm, birthDate, expected, named) => {
    const desk = await openDesk();
    await desk.put('Patient', patient('female', birthDate));
    const answer = await desk.post(limb(code, cm));
    expect([answer.verdict, rulesIn(answer)]).toEqual(['accepted', expect.not.arrayContaining(['height-not-estimated'])]);
    const id = `estimated-${idOf(answer)}`;
    expect(await valueOf(desk, id)).toBe(expected);
    expect(codesOf(await desk.tree(id))).toEqual(['8301-4', '8302-2']);
    expect(textOf(await desk.tree(id))).toContain(named);
  });

  it('has no BMI from it, unless the policy says so, and then it is marked', async () => {
    for (const allowed of [false, true]) {
      const desk = await openDesk({ policy: policyWith({ 'bmi.estimatedHeight': allowed }) });
      await desk.put('Patient', patient('female', '1980-05-17'));
      const input = idOf(await desk.post(limb('ulna-length', '25.5')));
      const id = idOf(await desk.post(weight('70.0')));
      const bmi = await desk.store.read.current('Observation', `bmi-${id}`);
      if (!allowed) expect(bmi).toBeUndefined();
      else {
        const tree = await desk.tree(`bmi-${id}`);
        expect(await valueOf(desk, `bmi-${id}`)).toBe('25.3 kg/m2');
        expect(tree).toMatchObject({
          meta: { tag: [{ code: 'estimated-height' }] },
          derivedFrom: [{}, { reference: `Observation/${input}` }],
        });
        await desk.post(height('168.0', 'cm', { effectiveDateTime: '2026-03-02T07:58:00Z' }));
        expect(await valueOf(desk, `bmi-${id}`)).toBe('24.8 kg/m2');
        expect((await desk.tree(`bmi-${id}`))['meta']).not.toHaveProperty('tag');
      }
    }
  });

  it('gets it once the sex is known', async () => {
    const desk = await openDesk();
    const answer = await desk.post(limb('ulna-length', '25.5'));
    expect(rulesIn(answer)).toContain('height-not-estimated');
    await desk.put('Patient', patient('female', '1980-05-17'));
    expect(await valueOf(desk, `estimated-${idOf(answer)}`)).toBe('166.2 cm');
  });

  it('is not told that another length is a resend', async () => {
    const desk = await openDesk();
    const first = await desk.post(limb('ulna-length', '25.5'));
    const second = await desk.post(limb('ulna-length', '26.5'));
    const third = await desk.post(limb('ulna-length', '25.50'));
    expect([second.status, third.status]).toEqual([201, 200]);
    expect(idOf(third)).toBe(idOf(first));
  });
});

it('a figure cannot be corrected by hand', async () => {
  const desk = await openDesk({ policy: policyWith({ 'derive.bodySurface': 'mosteller' }) });
  await desk.post(height('170.0', 'cm', { effectiveDateTime: EARLIER }));
  const id = idOf(await desk.post(weight('70.0')));
  expect(rulesIn(await desk.correct(`surface-${id}`, weight('71.0')))).toEqual(['derived-not-correctable']);
  expect(rulesIn(await desk.correct(`bmi-${id}`, weight('71.0')))).toEqual(['bmi-not-correctable']);
});
