/**
 * Whose something is when one person is removed: nothing of anybody else goes with them, whatever
 * stood under their name once or looks like it, and nothing of theirs stays behind.
 */
import { afterEach, beforeEach, describe, expect, test } from 'vitest';
import { createIntake, type Intake, type IntakeAnswer } from '../../src/ingest.ts';
import { openStore } from '../../src/open-store.ts';
import type { KeptStore } from '../../src/ports.ts';
import { arrived } from '../arrived.ts';
import { STORE_FACTORIES, type Place } from '../contract/store-factories.ts';
import { outboxItem } from '../contract/store-samples.ts';
import { CLOCK, weight, type Changes } from '../measurements.ts';
import { policyWith } from '../service.ts';

const DO = { dryRun: false };
const MORNING_MS = Date.parse('2026-03-02T07:00:00Z');

describe.each(STORE_FACTORIES)('removing a person from $name', (factory) => {
  let place: Place;
  let store: KeptStore;
  let intake: Intake;

  beforeEach(async () => {
    place = await factory.newPlace();
    store = await openStore(place.location, { clock: CLOCK });
    const policy = policyWith({ 'unassigned.accept': true });
    let issued = 0;
    const newId = (): string => `r${(issued += 1)}`;
    intake = createIntake({ store, clock: CLOCK, policy: () => policy, newId, knownBases: [], forwards: false });
  });
  afterEach(async () => {
    await store.close();
    await place.remove();
  });

  function post(digits: string, changes: Changes): Promise<IntakeAnswer> {
    const { tree, text } = arrived(weight(digits, 'kg', changes));
    return intake.create(tree, text);
  }
  const of = (reference: string): Changes => ({ subject: { reference } });
  const ofMrn = (system: string, value: string): Changes => ({ subject: { identifier: { system, value } } });
  /** Refused for its digits, as whatever text the sender writes. */
  async function refuse(changes: Changes, written: (text: string) => string = (text) => text): Promise<void> {
    const { tree, text } = arrived(weight('70.55', 'kg', changes));
    expect((await intake.create(tree, written(text))).status).toBe(422);
  }
  const refusedSubjects = async (): Promise<string[]> =>
    (await store.read.refusals(100))
      .map(({ text }) => /"(?:reference|value)":"([^"]+)"/.exec(text.slice(text.indexOf('"subject"')))?.[1] ?? '')
      .sort();

  test('who was weighed after somebody looked for quiet people is left alone', async () => {
    await post('70.0', { ...of('Patient/ada'), effectiveDateTime: '2026-03-02T06:00:00Z' });
    expect(await store.retention.quietPersons(MORNING_MS, 10)).toEqual(['Patient/ada']);
    const later = await post('70.1', { ...of('Patient/ada'), effectiveDateTime: '2026-03-02T09:00:00Z' });
    expect(await store.retention.removePerson('Patient/ada', { ...DO, quietSinceMs: MORNING_MS })).toEqual({ kind: 'not-quiet' });
    expect(await store.read.current('Observation', later.resource?.id ?? '')).toBeDefined();
    expect(await store.read.readingsOf('Patient/ada')).toHaveLength(2);
    expect((await store.retention.removePerson('Patient/ada', DO)).kind).toBe('removed');
  });

  test('a reading that was claimed is not of nobody any more', async () => {
    const held = await post('70.0', { subject: undefined, effectiveDateTime: '2026-03-02T09:50:00Z' });
    const id = held.resource?.id ?? '';
    const [nobody = ''] = await store.retention.quietPersons(CLOCK.nowMs(), 10);
    expect(nobody).toMatch(/^unassigned:/);
    const { tree, text } = arrived({
      resourceType: 'Parameters',
      parameter: [
        { name: 'subject', valueReference: { reference: 'Patient/ben' } },
        { name: 'who', valueReference: { reference: 'Practitioner/nurse-invented' } },
      ],
    });
    expect((await intake.claim(id, tree, text, undefined)).verdict).toBe('accepted');
    expect(await store.retention.quietPersons(CLOCK.nowMs(), 10)).toEqual(['Patient/ben']);
    expect(await store.retention.removePerson(nobody, DO)).toEqual({ kind: 'removed', removed: {} });
    expect(await store.read.current('Observation', id)).toMatchObject({ version: 2 });
    // and all of it goes with the person whose it is, the version of nobody too
    expect(await store.retention.removePerson('Patient/ben', DO)).toMatchObject({ removed: { observation: 2 } });
    expect(await store.read.version('Observation', id, 1)).toBeUndefined();
  });

  test('what is to be sent for somebody else, and concerns a reading of theirs, is sent first', async () => {
    const { resource } = await post('70.0', of('Patient/ada'));
    await store.write((tx) => tx.enqueue(outboxItem('Patient/ben', [resource?.id ?? ''])));
    expect(await store.retention.removePerson('Patient/ada', DO)).toEqual({ kind: 'unfinished' });
  });

  test('refusals that name them go, however they are written, and none that names somebody else', async () => {
    await refuse(of('Patient/ada'));
    await refuse(of('Patient/ada'), (text) => text.replace('Patient/ada', String.raw`Patient\/ada`));
    await refuse(of('Patient/ada'), (text) => text.replace('Patient/ada', String.raw`Patient/\u0061da`));
    await refuse(of('Patient/ada/_history/2'));
    await refuse(of('https://elsewhere.harbourlight.example/fhir/Patient/ada'));
    const others = ['Device/ada', 'Patient/ADA', 'Patient/ada-2', 'Patient/x-ada', 'https://elsewhere.harbourlight.example/NoPatient/ada'];
    for (const other of others) await refuse(of(other));
    expect((await store.retention.removePerson('Patient/ada', DO)).kind).toBe('removed');
    expect(await refusedSubjects()).toEqual(others);
  });

  test('refusals that name them as they were called before two records became one go too', async () => {
    await post('70.0', of('Patient/ada-before'));
    await refuse(of('Patient/ada-before'));
    const link = [{ other: { reference: 'Patient/ada' }, type: 'replaced-by' }];
    await intake.putRegistry('Patient', 'ada-before', arrived({ resourceType: 'Patient', id: 'ada-before', active: false, link }).tree);
    expect(await store.read.readingsOf('Patient/ada')).toHaveLength(1);
    expect((await store.retention.removePerson('Patient/ada', DO)).kind).toBe('removed');
    expect(await refusedSubjects()).toEqual([]);
  });

  test('a number that others have under another system, or at the end of theirs, is not the same number', async () => {
    await refuse(ofMrn('urn:ward', '123'));
    await refuse(ofMrn('urn:ward', '9123'));
    await refuse(ofMrn('urn:other', '1_3'));
    await store.retention.removePerson('identifier:urn:ward|123', DO);
    expect(await refusedSubjects()).toEqual(['1_3', '9123']);
  });

  test('refusals that name them by a number of theirs go too, unless somebody else has the same', async () => {
    for (const [id, ...values] of [
      ['ada', 'own', 'shared'],
      ['ben', 'shared'],
    ] as const) {
      const patient = { resourceType: 'Patient', id, identifier: values.map((value) => ({ system: 'urn:ward', value })) };
      await intake.putRegistry('Patient', id, arrived(patient).tree);
    }
    await refuse(ofMrn('urn:ward', 'own'));
    await refuse(ofMrn('urn:ward', 'shared'));
    await store.retention.removePerson('Patient/ada', DO);
    expect(await refusedSubjects()).toEqual(['shared']);
  });
});
