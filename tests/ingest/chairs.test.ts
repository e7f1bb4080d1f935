/** Chairs, meters and wards as they are registered: what becomes known of them, and what it changes. */
import { describe, expect, it } from 'vitest';
import { exactNumber, type JsonObject } from '../../src/core/json.ts';
import { OURS } from '../../src/core/terminology.ts';
import { height, measured, weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const tare = (value: string, members: JsonObject = {}): JsonObject => ({
  url: OURS.tareMassExtension,
  extension: [
    { url: 'mass', valueQuantity: measured(value, 'kg') },
    { url: 'establishedAt', valueDateTime: '2026-02-20T08:00:00Z' },
    { url: 'establishedBy', valueString: 'Tess Testperson (invented)' },
  ],
  ...members,
});
const chair = (id: string, members: object = {}) =>
  ({ resourceType: 'Device', id, extension: [tare('18.0')], ...members }) as { id: string };
const part = (code: string, value: string): JsonObject => ({
  code: { coding: [{ system: OURS.componentSystem, code }] },
  valueQuantity: measured(value, 'kg'),
});
const names = (...references: JsonObject[]): JsonObject => ({
  extension: references.map((valueReference) => ({ url: OURS.tareDeviceExtension, valueReference })),
});
const literal = (id: string): JsonObject => ({ reference: `Device/${id}` });
const readingOf = async (desk: Desk, id: string) => (await desk.readings()).find((reading) => reading.id === id);

describe('a chair that a reading names', () => {
  it.each<[string, JsonObject, string[]]>([
    ['by its id', literal('chair-1'), []],
    ['by its identifier', { identifier: { system: 'urn:inventory', value: 'W-1' } }, []],
    ['by an absolute reference to this service', { reference: 'https://bedside.example/fhir/Device/chair-1' }, []],
    ['by an id that nobody knows', literal('chair-9'), ['tare-unknown']],
    ['on another host', { reference: 'https://elsewhere.example/fhir/Device/chair-1' }, ['tare-unknown']],
  ])('is found %s', async (_how, reference, holds) => {
    const desk = await openDesk({ knownBases: ['https://bedside.example/fhir'] });
    await desk.put('Device', chair('chair-1', { identifier: [{ system: 'urn:inventory', value: 'W-1' }] }));
    const answer = await desk.post(weight('70.0', 'kg', names(reference)));
    expect(rulesIn(answer).filter((rule) => rule.startsWith('tare-'))).toEqual(holds);
    const stored = await readingOf(desk, idOf(answer));
    expect([stored?.tareDevices?.length, stored?.tare?.text]).toEqual([1, holds.length === 0 ? '18' : undefined]);
  });

  it('counts once, and its mass is what was subtracted', async () => {
    const desk = await openDesk();
    await desk.put('Device', chair('chair-1'));
    await desk.put('Device', chair('cushion-1', { extension: [tare('1.25')] }));
    const both = names(literal('cushion-1'), literal('chair-1'), literal('chair-1'));
    const net = await desk.post(weight('70.0', 'kg', { ...both, component: [part('gross', '89.25')] }));
    expect(net.verdict).toBe('accepted');
    expect(await readingOf(desk, idOf(net))).toMatchObject({
      tareDevices: ['Device/chair-1', 'Device/cushion-1'],
      tare: { text: '19.25' },
    });
    const wrong = await desk.post(
      weight('70.1', 'kg', { ...both, component: [part('gross', '89.25')], effectiveDateTime: '2026-03-02T09:00:00Z' }),
    );
    expect(rulesIn(wrong)).toContain('tare-arithmetic');
  });

  it('of another person is told by identifier too', async () => {
    const desk = await openDesk();
    const wristband = { system: 'urn:wristband', value: 'N-7' };
    await desk.put('Device', chair('chair-1', { patient: { identifier: wristband } }));
    const answer = () =>
      desk.post(weight('70.0', 'kg', { ...names(literal('chair-1')), effectiveDateTime: `2026-03-02T0${(hour += 1)}:00:00Z` }));
    let hour = 1;
    expect(rulesIn(await answer())).toContain('tare-other-person');
    await desk.put('Patient', { resourceType: 'Patient', id: 'ada', identifier: [wristband] } as never);
    expect(rulesIn(await answer())).not.toContain('tare-other-person');
  });
});

describe('a chair that is registered as a person’s', () => {
  const owned = (person: string) => chair('chair-1', { patient: { reference: `Patient/${person}` } });
  const at = (time: string) => ({ effectiveDateTime: time, device: { reference: 'Device/s1' } });

  it('names a forgotten chair', async () => {
    const desk = await openDesk();
    await desk.put('Device', owned('ada'));
    await desk.post(weight('70.0', 'kg', at('2026-02-27T08:00:00Z')));
    const answer = await desk.post(weight('88.4', 'kg', at('2026-03-02T08:00:00Z')));
    expect(rulesIn(answer)).toContain('tare-forgotten');
    expect(answer.verdict).toBe('held');
  });

  it('names none when it was entered in error', async () => {
    const desk = await openDesk();
    await desk.put('Device', { ...owned('ada'), status: 'entered-in-error' } as never);
    await desk.post(weight('70.0', 'kg', at('2026-02-27T08:00:00Z')));
    expect(rulesIn(await desk.post(weight('88.4', 'kg', at('2026-03-02T08:00:00Z'))))).not.toContain('tare-forgotten');
  });

  it('takes back what a second weighing on the same scale settled, and gives it back when it is somebody else’s', async () => {
    const desk = await openDesk();
    await desk.post(weight('70.0', 'kg', at('2026-02-27T08:00:00Z')));
    const twice = [
      idOf(await desk.post(weight('88.4', 'kg', at('2026-03-02T08:00:00Z')))),
      idOf(await desk.post(weight('88.5', 'kg', at('2026-03-02T08:05:00Z')))),
    ];
    const held = async () => (await Promise.all(twice.map((id) => readingOf(desk, id)))).map((reading) => reading?.held);
    expect(await held()).toEqual([false, false]);
    await desk.put('Device', owned('ada'));
    expect(await held()).toEqual([true, true]);
    await desk.put('Device', owned('bo'));
    expect(await held()).toEqual([false, false]);
  });
});

describe('a meter of a scale', () => {
  const meter = (type: string, state: string, time: string, members: object = {}) =>
    ({
      resourceType: 'DeviceMetric',
      id: 'm1',
      type: { text: 'mass' },
      category: 'measurement',
      source: { reference: 'Device/s1' },
      calibration: [{ type, state, time }],
      ...members,
    }) as never;
  const on = { device: { reference: 'Device/s1' } };

  it.each([
    ['offset', 'calibrated', '2026-03-02T07:00:00Z', []],
    ['offset', 'calibrated', '2026-02-27T07:00:00Z', ['zero-check-old']],
    ['offset', 'not-calibrated', '2026-03-02T07:00:00Z', ['zero-check-failed']],
    ['gain', 'calibrated', '2024-03-02T07:00:00Z', ['calibration-overdue']],
    ['gain', 'calibration-required', '2026-03-02T07:00:00Z', ['calibration-required']],
    ['gain', 'calibration-required', '2026-03-02T09:00:00Z', []],
  ])('with %s %s at %s', async (type, state, time, rules) => {
    const desk = await openDesk();
    await desk.put('Device', { resourceType: 'Device', id: 's1' } as never);
    await desk.put('DeviceMetric', meter(type, state, time));
    const said = rulesIn(await desk.post(weight('70.0', 'kg', on)));
    expect(said.filter((rule) => /^(zero|calibration)-/.test(rule))).toEqual(rules);
  });

  it('is found by an identifier of its scale', async () => {
    const desk = await openDesk();
    await desk.put('Device', { resourceType: 'Device', id: 's1', identifier: [{ system: 'urn:serial', value: 'S' }] } as never);
    await desk.put(
      'DeviceMetric',
      meter('gain', 'not-calibrated', '2026-03-02T07:00:00Z', { source: { identifier: { system: 'urn:serial', value: 'S' } } }),
    );
    expect((await desk.post(weight('70.0', 'kg', on))).verdict).toBe('held');
    expect((await desk.post(weight('70.1', 'kg', { ...on, device: { reference: 'DeviceMetric/m1' } }))).verdict).toBe('held');
  });
});

describe('the ward', () => {
  it('of a scale and of a person are compared', async () => {
    const desk = await openDesk();
    const location = (id: string) => ({ url: OURS.currentLocationExtension, valueReference: { reference: `Location/${id}` } });
    await desk.put('Patient', { resourceType: 'Patient', id: 'ada', extension: [location('harbourlight')] } as never);
    const said = async (ward: string, minute: number) => {
      await desk.put('Device', { resourceType: 'Device', id: 's1', location: { reference: `Location/${ward}` } } as never);
      const time = `2026-03-02T08:1${minute}:00Z`;
      return rulesIn(await desk.post(weight('70.0', 'kg', { device: { reference: 'Device/s1' }, effectiveDateTime: time })));
    };
    expect(await said('harbourlight', 1)).not.toContain('scale-other-ward');
    expect(await said('lantern-row', 5)).toContain('scale-other-ward');
  });
});

describe('the division of a scale', () => {
  const device = (unit: string, value: string) =>
    ({
      resourceType: 'Device',
      id: 's1',
      extension: [{ url: OURS.divisionExtension, valueQuantity: { ...measured(value, unit) } }],
    }) as never;

  it.each([
    ['g', '100', '0.1', undefined],
    ['[lb_av]', '0.2', '0.090718474', undefined],
    ['cm', '0.1', undefined, '0.1'],
  ])('in %s of %s is kept with the readings that it measures', async (unit, value, ofWeight, ofHeight) => {
    const desk = await openDesk();
    await desk.put('Device', device(unit, value));
    const on = { device: { reference: 'Device/s1' } };
    const heavy = unit === '[lb_av]' ? weight('150.2', '[lb_av]', on) : weight('70.0', 'kg', on);
    expect((await readingOf(desk, idOf(await desk.post(heavy))))?.division).toBe(ofWeight);
    expect((await readingOf(desk, idOf(await desk.post(height('170.0', 'cm', on)))))?.division).toBe(ofHeight);
  });

  it('is what a weight is held by also within a minute of one that it resembles, and neither is a press of the other', async () => {
    const desk = await openDesk();
    await desk.put('Device', device('kg', '0.1'));
    const on = (effectiveDateTime: string): JsonObject => ({ device: { reference: 'Device/s1' }, effectiveDateTime });
    expect((await desk.post(weight('80.4', 'kg', on('2026-03-01T08:00:00Z')))).status).toBe(201);
    const odd = await desk.post(weight('80.47', 'kg', on('2026-03-01T08:00:20Z')));
    expect(odd).toMatchObject({ status: 202, verdict: 'held' });
    expect(rulesIn(odd)).toContain('scale-division');
    expect(rulesIn(odd)).not.toContain('double-press');
    const pressed = await desk.post(weight('80.4', 'kg', on('2026-03-01T08:00:40Z')));
    expect(pressed.status).toBe(201);
    expect(rulesIn(pressed)).toContain('double-press');
    // on its own it can be decided of, as no second press can
    expect((await readingOf(desk, idOf(odd)))?.repeatOf).toBeUndefined();
  });
});

describe('a tare or a ward that cannot be used', () => {
  const without = (name: string): JsonObject => ({
    ...tare('18.0'),
    extension: (tare('18.0')['extension'] as JsonObject[]).filter(({ url }) => url !== name),
  });
  const withMass = (value: string, unit: string): JsonObject => ({
    ...tare('18.0'),
    extension: [
      { url: 'mass', valueQuantity: { value: exactNumber(value), system: 'http://unitsofmeasure.org', code: unit } },
      ...(without('mass')['extension'] as JsonObject[]),
    ],
  });
  it.each<[string, 'Device' | 'Patient', JsonObject]>([
    ['no mass', 'Device', without('mass')],
    ['no time', 'Device', without('establishedAt')],
    ['nobody who weighed it', 'Device', without('establishedBy')],
    ['a mass of zero', 'Device', withMass('0.0', 'kg')],
    ['a mass below zero', 'Device', withMass('-18.0', 'kg')],
    ['a length', 'Device', withMass('18.0', 'cm')],
    ['a ward that leads nowhere', 'Patient', { url: OURS.currentLocationExtension, valueReference: { display: 'the ward upstairs' } }],
  ])('is refused: %s', async (_what, type, extension) => {
    const desk = await openDesk();
    const answer = await desk.put(type, { resourceType: type, id: 'x', extension: [extension] } as never);
    expect([answer.status, rulesIn(answer), answer.outcome.issue[0]?.expression]).toEqual([
      422,
      ['registry-fact-unusable'],
      [`${type}.extension[0]`],
    ]);
  });
});
