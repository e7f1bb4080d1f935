/** Patients and devices: what becomes known of them changes what ought to stand. */
import { describe, expect, it } from 'vitest';
import { exactNumber } from '../../src/core/json.ts';
import { OURS } from '../../src/core/terminology.ts';
import { height, weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn } from './desk.ts';

const EARLIER = { effectiveDateTime: '2026-03-01T08:00:00Z' };
const NUMBER = { system: 'https://harbourlight.example/persons', value: 'HL-1' };
const BY_NUMBER = { subject: { identifier: NUMBER } };
const KEY = `identifier:${NUMBER.system}|${NUMBER.value}`;
const patient = (id: string, members: object = {}): { readonly id: string } =>
  ({ resourceType: 'Patient', id, ...members }) as { id: string };
const device = (members: object = {}): { readonly id: string } => ({ resourceType: 'Device', id: 's1', ...members }) as { id: string };

describe('a Patient', () => {
  it('is answered 201 when new and 200 after, and kept in versions', async () => {
    const desk = await openDesk();
    expect(await desk.put('Patient', patient('ada', { birthDate: '1980-05-17' }))).toMatchObject({
      status: 201,
      verdict: 'accepted',
      resource: { version: 1 },
    });
    expect(await desk.put('Patient', patient('ada', { birthDate: '1980-05-18' }))).toMatchObject({ status: 200, resource: { version: 2 } });
    expect(await desk.outbox()).toEqual([]);
  });

  it('whose birth date makes them a baby has no BMI any more, and the EHR gets that', async () => {
    const desk = await openDesk();
    await desk.post(height('86.0', 'cm', EARLIER));
    const light = idOf(await desk.post(weight('12.0')));
    expect(await desk.standing()).toMatchObject([{ valueText: '16.2' }]);
    await desk.put('Patient', patient('ada', { birthDate: '2025-01-10' }));
    expect(await desk.standing()).toEqual([]);
    expect(await desk.tree(`bmi-${light}`)).toMatchObject({ status: 'entered-in-error' });
    expect((await desk.outbox()).at(-1)?.resources.map(({ id }) => id)).toEqual([`bmi-${light}`, `prov-bmi-${light}-2`]);
    await desk.put('Patient', patient('ada', { birthDate: '2020-01-10' }));
    expect(await desk.standing()).toMatchObject([{ version: 3, valueText: '16.2' }]);
  });

  it('that changes nothing about BMI queues nothing', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', EARLIER));
    await desk.post(weight('80.0'));
    const before = (await desk.outbox()).length;
    await desk.put('Patient', patient('ada', { birthDate: '1980-05-17' }));
    await desk.put('Patient', patient('ada', { birthDate: '1980-05-17', gender: 'female' }));
    expect((await desk.outbox()).length).toBe(before);
  });

  it('takes over the readings that were filed under its identifier, and their BMI', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', { ...EARLIER, ...BY_NUMBER }));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', BY_NUMBER)));
    expect(await desk.standing(KEY)).toHaveLength(1);
    await desk.put('Patient', patient('ada', { identifier: [NUMBER] }));
    expect([await desk.readings(KEY), await desk.standing(KEY)]).toEqual([[], []]);
    expect(await desk.standing()).toMatchObject([{ id: `bmi-${heavy}`, valueText: '31.3' }]);
    const later = idOf(
      await desk.post(weight('81.0', 'kg', { subject: { reference: 'Patient/ada' }, effectiveDateTime: '2026-03-02T09:00:00Z' })),
    );
    expect((await desk.standing()).map(({ weightId }) => weightId)).toEqual([heavy, later]);
  });

  it('joins what was filed under its identifier with what was filed under its id', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', { ...EARLIER, ...BY_NUMBER }));
    const heavy = idOf(await desk.post(weight('80.0')));
    expect(await desk.standing()).toEqual([]);
    await desk.put('Patient', patient('ada', { identifier: [NUMBER] }));
    expect(await desk.standing()).toMatchObject([{ weightId: heavy, valueText: '31.3' }]);
  });

  it('whose identifier another one carries too takes over nothing, and new readings under it are held', async () => {
    const desk = await openDesk();
    await desk.put('Patient', patient('bo', { identifier: [NUMBER] }));
    await desk.put('Patient', patient('ada', { identifier: [NUMBER] }));
    const answer = await desk.post(weight('80.0', 'kg', BY_NUMBER));
    expect(answer).toMatchObject({ status: 202, verdict: 'held' });
    expect(rulesIn(answer)).toContain('person-ambiguous');
    await desk.put('Patient', patient('ada', { identifier: [NUMBER], birthDate: '1980-05-17' }));
    expect([await desk.readings(), await desk.readings('Patient/bo')]).toEqual([[], []]);
    expect(await desk.outbox()).toEqual([]);
  });

  it.each([
    ['is no FHIR', patient('ada', { birthDate: 'yesterday' }), { status: 400, verdict: 'refused' }],
    ['is something else', device({ id: 'ada' }), { status: 400, verdict: 'refused' }],
  ])('that %s is refused and not stored', async (_what, body, answer) => {
    const desk = await openDesk();
    expect(await desk.put('Patient', body)).toMatchObject(answer);
    expect(await desk.counts()).toMatchObject({ patients: 0 });
  });

  it('with another id than its address, or with a stale version, is not stored', async () => {
    const desk = await openDesk();
    await expect(desk.intake.putRegistry('Patient', 'bo', patient('ada') as never)).rejects.toMatchObject({
      code: 'ERR_BAD_VALUE',
      expression: 'Patient.id',
    });
    await expect(desk.intake.putRegistry('Patient', 'ada', patient('ada') as never, 1)).rejects.toMatchObject({
      code: 'ERR_VERSION_CONFLICT',
    });
    await desk.put('Patient', patient('ada'));
    await expect(desk.intake.putRegistry('Patient', 'ada', patient('ada') as never, 2)).rejects.toMatchObject({
      code: 'ERR_VERSION_CONFLICT',
    });
    expect(await desk.intake.putRegistry('Patient', 'ada', patient('ada') as never, 1)).toMatchObject({ status: 200 });
  });
});

describe('a Device', () => {
  const division = {
    extension: [
      { url: OURS.divisionExtension, valueQuantity: { value: exactNumber('0.5'), system: 'http://unitsofmeasure.org', code: 'kg' } },
    ],
  };

  it.each([
    ['its id', { reference: 'Device/s1' }],
    ['its serial number', { identifier: { system: 'urn:serial', value: 'S' } }],
    ['its meter', { reference: 'DeviceMetric/m1' }],
  ])('named by %s is judged by its division', async (_how, reference) => {
    const desk = await openDesk();
    await desk.put('Device', device({ ...division, identifier: [{ system: 'urn:serial', value: 'S' }] }));
    await desk.put('DeviceMetric', {
      resourceType: 'DeviceMetric',
      id: 'm1',
      type: { text: 'mass' },
      category: 'measurement',
      source: { reference: 'Device/s1' },
    } as never);
    const answer = await desk.post(weight('70.5', 'kg', { device: reference }));
    expect(answer.verdict).toBe('held');
    expect(rulesIn(answer)).toContain('scale-coarse');
  });

  it('that is not known is said so', async () => {
    const desk = await openDesk();
    expect(rulesIn(await desk.post(weight('70.5', 'kg', { device: { reference: 'Device/s9' } })))).toContain('device-unknown');
  });

  it('tells the method, and the Provenance names it as the origin', async () => {
    const desk = await openDesk();
    await desk.put('Device', device({ extension: [{ url: OURS.defaultMethodExtension, valueCode: 'bed-scale' }] }));
    const id = idOf(await desk.post(weight('70.5', 'kg', { device: { reference: 'Device/s1' } })));
    expect(await desk.tree(id)).toMatchObject({ method: { coding: [{ code: 'bed-scale' }] }, device: { reference: 'Device/s1' } });
    const provenance = await desk.store.read.current('Provenance', `prov-${id}-1`);
    expect(provenance?.text).toContain('"entity":[{"role":"source","what":{"reference":"Device/s1"}}]');
  });
});

describe('an identifier that was registered for the wrong person', () => {
  const WRISTBAND = { system: 'https://harbourlight.example/wristband', value: 'N-7' };
  const BY_WRISTBAND = { subject: { identifier: WRISTBAND } };
  const patient = (id: string, identifier: readonly object[]) => ({
    resourceType: 'Patient',
    id,
    birthDate: '1970-01-01',
    ...(identifier.length > 0 && { identifier }),
  });

  it('takes its readings along when it is put right, and leaves no BMI across persons', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
    await desk.post(height('180.0', 'cm', { subject: { reference: 'Patient/bo' }, effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', BY_WRISTBAND)));
    await desk.put('Patient', patient('ada', [WRISTBAND]));
    expect(await desk.standing('Patient/ada')).toMatchObject([{ id: `bmi-${heavy}`, valueText: '31.3' }]);
    await desk.put('Patient', patient('ada', []));
    expect(await desk.standing('Patient/ada')).toEqual([]);
    await desk.put('Patient', patient('bo', [WRISTBAND]));
    expect(await desk.standing('Patient/bo')).toMatchObject([{ weightId: heavy, valueText: '24.7' }]);
    expect((await desk.standing('Patient/bo')).map(({ id }) => id)).not.toContain(`bmi-${heavy}`);
    expect(await desk.tree(`bmi-${heavy}`)).toMatchObject({ status: 'entered-in-error', subject: { reference: 'Patient/ada' } });
  });

  it('does not hide a resend that names the person by id', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('80.0', 'kg', BY_WRISTBAND)));
    await desk.put('Patient', patient('ada', [WRISTBAND]));
    expect(await desk.post(weight('80.0'))).toMatchObject({ status: 200, resource: { id } });
  });
});

describe('a registry resource with a modifier that nobody knows', () => {
  it('is refused', async () => {
    const desk = await openDesk();
    const answer = await desk.put('Patient', {
      resourceType: 'Patient',
      id: 'ada',
      modifierExtension: [{ url: 'https://harbourlight.example/not', valueBoolean: true }],
    } as never);
    expect(answer).toMatchObject({ status: 422, verdict: 'refused' });
    expect(answer.outcome.issue[0]?.expression).toEqual(['Patient.modifierExtension']);
    expect(await desk.counts()).toMatchObject({ patients: 0 });
  });
});

describe('a fact that judging depends on', () => {
  const division = (value: string, code: string) => ({
    url: OURS.divisionExtension,
    valueQuantity: { value: exactNumber(value), unit: code, system: 'http://unitsofmeasure.org', code },
  });
  it.each<[string, 'Device' | 'Patient', object, string]>([
    ['a division of zero', 'Device', { extension: [division('0', 'kg')] }, 'Device.extension[0]'],
    ['a division below zero', 'Device', { extension: [division('-0.1', 'kg')] }, 'Device.extension[0]'],
    ['a division in a unit that is none', 'Device', { extension: [division('0.1', 'lb')] }, 'Device.extension[0]'],
    [
      'a usual method that nobody knows',
      'Device',
      { extension: [{ url: OURS.defaultMethodExtension, valueCode: 'by-eye' }] },
      'Device.extension[0]',
    ],
    [
      'clothing of the wrong type',
      'Device',
      { extension: [{ url: OURS.defaultClothingExtension, valueString: 'gown' }] },
      'Device.extension[0]',
    ],
    ['a birth date that lies ahead', 'Patient', { birthDate: '2030-01-01' }, 'Patient.birthDate'],
  ])('is refused when it cannot be used: %s', async (_what, type, facts, expression) => {
    const desk = await openDesk();
    const answer = await desk.put(type, { resourceType: type, id: 'x', ...facts } as never);
    expect(answer).toMatchObject({ status: 422, verdict: 'refused' });
    expect(rulesIn(answer)).toEqual(['registry-fact-unusable']);
    expect(answer.outcome.issue[0]?.expression).toEqual([expression]);
  });
});
