import { describe, expect, it } from 'vitest';
import { toText } from '../../src/core/decimal.ts';
import { exactNumber } from '../../src/core/json.ts';
import { toDeviceFacts, toPersonFacts } from '../../src/core/registry.ts';
import { METHODS } from '../../src/core/methods.ts';
import { OURS } from '../../src/core/terminology.ts';

const UCUM = 'http://unitsofmeasure.org';
type Device = Parameters<typeof toDeviceFacts>[1];
const device = (members: object = {}): Device => ({ resourceType: 'Device', id: 's1', ...members }) as unknown as Device;
const division = (value: string, code = 'kg', system = UCUM) =>
  device({ extension: [{ url: OURS.divisionExtension, valueQuantity: { value: exactNumber(value), system, code } }] });

describe('a Patient', () => {
  it('tells birth date and sex, also a coarse one', () => {
    expect(toPersonFacts('Patient/ada', { resourceType: 'Patient', birthDate: '1980-05', gender: 'female' })).toEqual({
      key: 'Patient/ada',
      known: true,
      birthDate: '1980-05',
      sex: 'female',
    });
  });

  it('that says nothing is known all the same', () => {
    expect(toPersonFacts('Patient/ada', { resourceType: 'Patient' })).toEqual({ key: 'Patient/ada', known: true });
  });
});

describe('a Device', () => {
  it('tells division, capacity, usual method and clothing by our extensions', () => {
    const facts = toDeviceFacts(
      'Device/s1',
      device({
        status: 'active',
        extension: [
          { url: OURS.divisionExtension, valueQuantity: { value: exactNumber('0.05'), system: UCUM, code: 'kg' } },
          { url: OURS.capacityExtension, valueQuantity: { value: exactNumber('440'), system: UCUM, code: '[lb_av]' } },
          { url: OURS.defaultMethodExtension, valueCode: 'sling-lift' },
          { url: OURS.defaultClothingExtension, valueCode: 'street-no-shoes' },
        ],
      }),
    );
    expect(facts).toMatchObject({
      key: 'Device/s1',
      known: true,
      status: 'active',
      defaultMethod: 'sling-lift',
      defaultClothing: 'street-no-shoes',
    });
    expect([facts.division, facts.capacity].map((one) => one && `${toText(one.value)} ${one.unit}`)).toEqual(['0.05 kg', '440 [lb_av]']);
  });

  it.each(Object.entries(METHODS))('of the kind for %s is used so', (method, { deviceKind }) => {
    const facts = toDeviceFacts('Device/s1', device({ type: { coding: [{ system: OURS.deviceKindSystem, code: deviceKind }] } }));
    expect(facts.defaultMethod).toBe(method);
  });

  it('whose extension says how it is used goes by that, not by its kind', () => {
    const both = device({
      type: { coding: [{ system: OURS.deviceKindSystem, code: 'bed-scale' }] },
      extension: [{ url: OURS.defaultMethodExtension, valueCode: 'sling-lift' }],
    });
    expect(toDeviceFacts('Device/s1', both).defaultMethod).toBe('sling-lift');
  });

  it.each([
    ['a division of zero', division('0.0')],
    ['a negative division', division('-0.1')],
    ['a division in an unknown unit', division('0.1', 'stone')],
    ['a division of another system', division('0.1', 'kg', 'https://h.example')],
    ['an unknown method', device({ extension: [{ url: OURS.defaultMethodExtension, valueCode: 'toString' }] })],
    ['an unknown clothing', device({ extension: [{ url: OURS.defaultClothingExtension, valueCode: 'armour' }] })],
    ['a kind of another system', device({ type: { coding: [{ system: 'https://h.example', code: 'bed-scale' }] } })],
  ])('with %s leaves it unknown', (_what, one) => {
    expect(toDeviceFacts('Device/s1', one)).toEqual({ key: 'Device/s1', known: true });
  });
});
