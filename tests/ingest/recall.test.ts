/** A scale that was found wrong: what it measured, and marking all of it at once. */
import { describe, expect, it } from 'vitest';
import { parseDateTime, type Effective } from '../../src/core/fhir-time.ts';
import type { JsonObject } from '../../src/core/json.ts';
import { IN_DOUBT_TAG } from '../../src/core/terminology.ts';
import type { RecallOrder } from '../../src/ingest.ts';
import { parsed } from '../arrived.ts';
import { height, weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const at = (text: string): Effective => parseDateTime(text) as Effective;
const on = (scale: string, time: string, person = 'ada') => ({
  device: { reference: `Device/${scale}` },
  effectiveDateTime: time,
  subject: { reference: `Patient/${person}` },
});
const order = (members: Partial<RecallOrder> = {}): RecallOrder => ({
  since: at('2026-02-20'),
  action: 'entered-in-error',
  reason: 'Reads 3 kg too much since it was moved',
  who: { reference: 'Practitioner/tess-testperson' },
  ...members,
});
const PAGE = { count: 100 };

/** Two people on scale s1 before and after it was moved on 20 February, and a later weight on s2. */
async function ward(options?: Parameters<typeof openDesk>[0]) {
  const desk = await openDesk(options);
  for (const id of ['s1', 's2']) await desk.put('Device', { resourceType: 'Device', id, status: 'active' } as never);
  await desk.post(height('170.0', 'cm', { effectiveDateTime: '2026-02-01T08:00:00Z' }));
  const before = idOf(await desk.post(weight('70.0', 'kg', on('s1', '2026-02-10T08:00:00Z'))));
  const wrong = idOf(await desk.post(weight('72.0', 'kg', on('s1', '2026-02-25T08:00:00Z'))));
  const later = idOf(await desk.post(weight('70.2', 'kg', on('s2', '2026-02-27T08:00:00Z'))));
  const bo = idOf(await desk.post(weight('81.0', 'kg', on('s1', '2026-02-26T08:00:00Z', 'bo'))));
  return { desk, before, wrong, later, bo };
}

async function provenanceOf(desk: Desk, id: string, version: number): Promise<JsonObject> {
  const stored = await desk.store.read.current('Provenance', `prov-${id}-${version}`);
  if (stored === undefined) throw new Error(`there is no Provenance of ${id}/${version}`);
  return parsed(stored.text);
}

describe('what a scale measured since a time', () => {
  it('is every reading from it, of everybody, with the BMI derived from them', async () => {
    const { desk, before, wrong, bo } = await ward();
    const affected = await desk.intake.affected('s1', at('2026-02-20'), PAGE);
    expect(affected.readings.map(({ id }) => id)).toEqual([wrong, bo]);
    expect(affected.derived.map(({ id }) => id)).toEqual([`bmi-${wrong}`]);
    expect(affected.total).toBe(2);
    const all = await desk.intake.affected('s1', at('2026-02-10T08:00:00Z'), PAGE);
    expect(all.readings.map(({ id }) => id)).toEqual([before, wrong, bo]);
  });

  it('has held readings too, and those of a day without a time that reaches as far', async () => {
    const { desk } = await ward();
    const day = idOf(await desk.post(weight('70.4', 'kg', on('s1', '2026-02-28'))));
    const held = await desk.post(weight('35.0', 'kg', on('s1', '2026-02-28T09:00:00Z')));
    expect(held.verdict).toBe('held');
    const { readings } = await desk.intake.affected('s1', at('2026-02-28T08:00:00Z'), PAGE);
    expect(readings.map(({ id }) => id).sort()).toEqual([day, idOf(held)].sort());
    expect((await desk.intake.affected('s1', at('2026-02-28T09:00:01Z'), PAGE)).readings.map(({ id }) => id)).toEqual([day]);
  });

  it('has those that named the scale by an identifier before it was registered, or by its meter', async () => {
    const desk = await openDesk();
    const serial = { system: 'urn:serial', value: 'S-3' };
    const byNumber = idOf(await desk.post(weight('70.0', 'kg', { ...on('x', '2026-02-25T08:00:00Z'), device: { identifier: serial } })));
    const byMeter = idOf(
      await desk.post(weight('70.1', 'kg', { ...on('x', '2026-02-25T09:00:00Z'), device: { reference: 'DeviceMetric/m3' } })),
    );
    await desk.put('Device', { resourceType: 'Device', id: 's3', identifier: [serial] } as never);
    await desk.put('DeviceMetric', {
      resourceType: 'DeviceMetric',
      id: 'm3',
      type: { text: 'mass' },
      category: 'measurement',
      source: { identifier: serial },
    } as never);
    const { readings } = await desk.intake.affected('s3', at('2026-02-20'), PAGE);
    expect(readings.map(({ id }) => id)).toEqual([byNumber, byMeter]);
  });

  it('comes in pages that neither skip nor repeat', async () => {
    const { desk, before, wrong, bo } = await ward();
    const first = await desk.intake.affected('s1', at('2026-02-01'), { count: 2 });
    expect([first.readings.map(({ id }) => id), first.total]).toEqual([[before, wrong], 3]);
    const second = await desk.intake.affected('s1', at('2026-02-01'), { count: 2, cursor: first.next as string });
    expect([second.readings.map(({ id }) => id), second.next]).toEqual([[bo], undefined]);
  });

  it('is not known of a scale that is not registered', async () => {
    const { desk } = await ward();
    await expect(desk.intake.affected('s9', at('2026-02-20'), PAGE)).rejects.toMatchObject({ code: 'ERR_NOT_FOUND' });
    await expect(desk.intake.recall('s9', order())).rejects.toMatchObject({ code: 'ERR_NOT_FOUND' });
  });
});

describe('a recall as entered in error', () => {
  it('withdraws each reading and its BMI, and judges later ones as if they had never been', async () => {
    const { desk, before, wrong, later, bo } = await ward();
    expect((await desk.readings()).find(({ id }) => id === later)?.comparison?.previous).toBe(wrong);
    const done = await desk.intake.recall('s1', order());
    expect({ ...done, marked: [...done.marked].sort() }).toEqual({
      affected: 2,
      marked: [wrong, bo].sort(),
      derived: [`bmi-${wrong}`],
      rejudged: [later],
    });
    for (const id of [wrong, bo, `bmi-${wrong}`]) expect(await desk.tree(id)).toMatchObject({ status: 'entered-in-error' });
    expect((await desk.standing()).map(({ weightId }) => weightId)).toEqual([before, later]);
    expect((await desk.readings()).find(({ id }) => id === later)?.comparison?.previous).toBe(before);
  });

  it('leaves what a ward without those readings would have', async () => {
    const { desk, wrong } = await ward();
    await desk.intake.recall('s1', order());
    const clean = await openDesk();
    for (const id of ['s1', 's2']) await clean.put('Device', { resourceType: 'Device', id, status: 'active' } as never);
    await clean.post(height('170.0', 'cm', { effectiveDateTime: '2026-02-01T08:00:00Z' }));
    await clean.post(weight('70.0', 'kg', on('s1', '2026-02-10T08:00:00Z')));
    await clean.post(weight('70.2', 'kg', on('s2', '2026-02-27T08:00:00Z')));
    const standing = async (of: Desk) => (await of.readings()).filter(({ id }) => id !== wrong || of === clean);
    const withoutNames = async (of: Desk) =>
      (await standing(of)).map(({ effective, held, comparison }) => [effective.text, held, comparison?.changeKg, comparison?.reasons]);
    expect(await withoutNames(desk)).toEqual(await withoutNames(clean));
    expect((await desk.standing()).map(({ valueText }) => valueText)).toEqual((await clean.standing()).map(({ valueText }) => valueText));
  });

  it('says in each Provenance who recalled it, when, why and under which policy', async () => {
    const { desk, wrong } = await ward();
    await desk.intake.recall('s1', order());
    for (const [id, version] of [
      [wrong, 2],
      [`bmi-${wrong}`, 2],
    ] as const) {
      expect(await provenanceOf(desk, id, version)).toMatchObject({
        recorded: '2026-03-02T10:00:00.000Z',
        reason: [{ text: 'Reads 3 kg too much since it was moved' }],
        policy: ['https://steelyard.example/fhir/policy/built-in'],
        agent: [
          { type: { coding: [{ code: 'author' }] }, who: { reference: 'Practitioner/tess-testperson' } },
          { type: { coding: [{ code: 'assembler' }] } },
        ],
      });
    }
  });

  it('tells the EHR, once per person', async () => {
    const { desk, wrong, later, bo } = await ward();
    const before = (await desk.outbox()).length;
    await desk.intake.recall('s1', order());
    const sent = (await desk.outbox()).slice(before);
    expect(sent.map(({ person }) => person).sort()).toEqual(['Patient/ada', 'Patient/bo']);
    const ids = (person: string) => sent.find((item) => item.person === person)?.resources.map(({ id, version }) => `${id}/${version}`);
    expect(ids('Patient/ada')).toEqual(expect.arrayContaining([`${wrong}/2`, `bmi-${wrong}/2`, `prov-${wrong}-2/1`, `${later}/2`]));
    expect(ids('Patient/bo')).toEqual([`${bo}/2`, `prov-${bo}-2/1`]);
  });

  it('changes nothing further when it is called again, and after a flag it still withdraws', async () => {
    const { desk, wrong, bo } = await ward();
    await desk.intake.recall('s1', order({ action: 'flagged' }));
    expect([...(await desk.intake.recall('s1', order())).marked].sort()).toEqual([wrong, bo].sort());
    const counts = await desk.counts();
    for (const action of ['entered-in-error', 'flagged'] as const) {
      expect(await desk.intake.recall('s1', order({ action }))).toEqual({ affected: 2, marked: [], derived: [], rejudged: [] });
    }
    expect(await desk.counts()).toEqual(counts);
  });

  it('knows a resend of a withdrawn reading', async () => {
    const { desk, wrong } = await ward();
    await desk.intake.recall('s1', order());
    expect(await desk.post(weight('72.0', 'kg', on('s1', '2026-02-25T08:00:00Z')))).toMatchObject({ status: 200, resource: { id: wrong } });
  });

  it('takes a held reading off the list of those that wait, and sends nothing of it', async () => {
    const { desk } = await ward();
    const held = idOf(await desk.post(weight('35.0', 'kg', on('s1', '2026-02-28T09:00:00Z'))));
    const before = (await desk.outbox()).length;
    await desk.intake.recall('s1', order({ since: at('2026-02-28') }));
    expect(await desk.tree(held)).toMatchObject({ status: 'entered-in-error' });
    expect(JSON.stringify(await desk.tree(held))).not.toContain('"held"');
    expect((await desk.outbox()).slice(before)).toEqual([]);
  });
});

describe('a recall as flagged', () => {
  const tags = async (desk: Desk, id: string) =>
    ((await desk.tree(id))['meta'] as { tag?: { code: string }[] }).tag?.map(({ code }) => code);

  it('marks each reading and its BMI, which stays, and compares nothing with them', async () => {
    const { desk, before, wrong, later } = await ward();
    const done = await desk.intake.recall('s1', order({ action: 'flagged' }));
    expect([done.derived, done.rejudged]).toEqual([[`bmi-${wrong}`], [later]]);
    expect(await tags(desk, wrong)).toEqual([IN_DOUBT_TAG.code]);
    expect(await tags(desk, `bmi-${wrong}`)).toEqual([IN_DOUBT_TAG.code]);
    expect(await desk.tree(wrong)).toMatchObject({ status: 'final' });
    const readings = await desk.readings();
    expect(readings.find(({ id }) => id === wrong)).toMatchObject({ flagged: true, held: false });
    expect(readings.find(({ id }) => id === wrong)?.comparison).toBeUndefined();
    expect(readings.find(({ id }) => id === later)?.comparison?.previous).toBe(before);
  });

  it('keeps a held reading waiting', async () => {
    const { desk } = await ward();
    const held = idOf(await desk.post(weight('35.0', 'kg', on('s1', '2026-02-28T09:00:00Z'))));
    await desk.intake.recall('s1', order({ action: 'flagged' }));
    expect((await tags(desk, held))?.sort()).toEqual(['held', IN_DOUBT_TAG.code]);
    expect(await desk.tree(held)).toMatchObject({ status: 'preliminary' });
  });

  it('stays through a correction of its sender, and ends when that names another scale', async () => {
    const { desk, wrong } = await ward();
    await desk.intake.recall('s1', order({ action: 'flagged' }));
    await desk.correct(wrong, weight('71.0', 'kg', { ...on('s1', '2026-02-25T08:00:00Z'), status: 'corrected' }));
    expect([await tags(desk, wrong), await tags(desk, `bmi-${wrong}`)]).toEqual([[IN_DOUBT_TAG.code], [IN_DOUBT_TAG.code]]);
    await desk.correct(wrong, weight('71.0', 'kg', { ...on('s2', '2026-02-25T08:00:00Z'), status: 'corrected' }));
    expect([await tags(desk, wrong), await tags(desk, `bmi-${wrong}`)]).toEqual([undefined, undefined]);
  });

  it('marks the BMI of every weight for which a flagged height counts', async () => {
    const { desk, before, wrong, later } = await ward();
    await desk.post(height('171.0', 'cm', on('s1', '2026-02-24T08:00:00Z')));
    const done = await desk.intake.recall('s1', order({ action: 'flagged', since: at('2026-02-24') }));
    expect([...done.derived].sort()).toEqual([`bmi-${later}`, `bmi-${wrong}`].sort());
    expect(await tags(desk, `bmi-${before}`)).toBeUndefined();
  });

  it('is no second weighing that settles a doubt', async () => {
    const { desk } = await ward();
    const doubtful = weight('90.0', 'kg', on('s2', '2026-02-28T09:00:00Z'));
    const held = idOf(await desk.post(doubtful));
    const second = await desk.post(weight('90.1', 'kg', on('s1', '2026-02-28T09:05:00Z')));
    expect(rulesIn(second)).toContain('second-weighing-releases');
    expect((await desk.readings()).find(({ id }) => id === held)?.held).toBe(false);
    await desk.intake.recall('s1', order({ action: 'flagged', since: at('2026-02-28') }));
    expect((await desk.readings()).find(({ id }) => id === held)?.held).toBe(true);
  });
});
