/** The change of a weight as a derived Observation, through the whole use case. */
import { describe, expect, it } from 'vitest';
import { conformObservation } from '../../src/core/conform.ts';
import type { JsonObject } from '../../src/core/json.ts';
import { policyWith, weight } from '../measurements.ts';
import { arrived } from '../arrived.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const LOW = '2026-03-02T08:00:00Z';
const on = (value: string, effectiveDateTime: string, changes: object = {}) => weight(value, 'kg', { effectiveDateTime, ...changes });

/** 100.0 kg on 1 February and 94.0 kg on 2 March, 29 days later. */
async function lost(desk: Desk): Promise<{ readonly high: string; readonly low: string }> {
  const high = idOf(await desk.post(on('100.0', '2026-02-01T08:00:00Z')));
  return { high, low: idOf(await desk.post(on('94.0', LOW))) };
}

const brief = ({ valueQuantity, component }: JsonObject) =>
  JSON.stringify([
    valueQuantity,
    ...((component ?? []) as JsonObject[]).map(({ code, ...value }) => [(code as JsonObject)['coding'], value]),
  ]);

describe('a weight that reaches a published threshold', () => {
  it('is told with the arithmetic, and its change becomes an Observation', async () => {
    const desk = await openDesk();
    const high = idOf(await desk.post(on('100.0', '2026-02-01T08:00:00Z')));
    const answer = await desk.post(on('94.0', LOW));
    expect(answer.verdict).toBe('accepted');
    expect(rulesIn(answer).filter((id) => id.startsWith('change-'))).toEqual([
      'change-long-term-care-loss-30-days',
      'change-glim-loss-within-6-months',
      'change-academy-aspen-loss-within-1-month',
    ]);
    const change = await desk.tree(`change-${idOf(answer)}`);
    expect(change).toMatchObject({
      status: 'final',
      code: { coding: [{ system: 'https://steelyard.example/fhir/CodeSystem/derived-figure', code: 'weight-change' }] },
      subject: { reference: 'Patient/ada' },
      effectiveDateTime: LOW,
      derivedFrom: [{ reference: `Observation/${idOf(answer)}` }, { reference: `Observation/${high}` }],
    });
    expect(change['category']).toBeUndefined();
    const shown = brief(change);
    for (const part of [
      '"value":"-6.0"',
      '"weight-change-percent"',
      '"value":"-6.0"',
      '"value":"-0.21"',
      '"value":"29.00"',
      '"valueBoolean":true',
      '"change-glim-loss-within-6-months"',
      'GLIM criteria 2019',
    ])
      expect(shown.replaceAll('"isLosslessNumber":true,', '')).toContain(part);
    expect(conformObservation(arrived(change).tree).ok).toBe(true);
  });

  it('is found by its code and by what it was derived from, and has a Provenance of both versions', async () => {
    const desk = await openDesk();
    const { high, low } = await lost(desk);
    const search = { includeHeld: false, sort: [], count: 10 } as const;
    const byCode = await desk.store.read.searchObservations({ ...search, codes: [{ value: 'weight-change' }] });
    const byInput = await desk.store.read.searchObservations({ ...search, derivedFrom: [high] });
    expect([byCode, byInput].map(({ resources }) => resources.map(({ id }) => id))).toEqual([[`change-${low}`], [`change-${low}`]]);
    const provenance = await desk.store.read.current('Provenance', `prov-change-${low}-1`);
    expect(provenance?.text).toContain(`"Observation/${low}/_history/1"`);
    expect(provenance?.text).toContain(`"Observation/${high}/_history/1"`);
  });

  it('goes to the EHR with the weight', async () => {
    const desk = await openDesk();
    const { low } = await lost(desk);
    const sent = (await desk.outbox()).flatMap(({ resources }) => resources.map(({ type, id }) => `${type}/${id}`));
    expect(sent).toContain(`Observation/change-${low}`);
  });

  it('loses it when the earlier weight is withdrawn, and what it said stays readable', async () => {
    const desk = await openDesk();
    const { high, low } = await lost(desk);
    await desk.correct(high, on('100.0', '2026-02-01T08:00:00Z', { status: 'entered-in-error' }));
    expect(await desk.tree(`change-${low}`)).toMatchObject({
      status: 'entered-in-error',
      method: {},
      component: [{}, {}, {}, {}, {}, {}, {}],
    });
  });

  it('gets it from a late earlier weight, whichever of the two comes first', async () => {
    const desk = await openDesk();
    const low = idOf(await desk.post(on('94.0', LOW)));
    await desk.post(on('100.0', '2026-02-01T08:00:00Z'));
    const late = brief(await desk.tree(`change-${low}`));
    const other = await openDesk();
    expect(brief(await other.tree(`change-${(await lost(other)).low}`))).toBe(late);
    expect((await desk.readings()).find(({ id }) => id === low)?.significant).toHaveLength(3);
  });

  it('is corrected with its input', async () => {
    const desk = await openDesk();
    const { low } = await lost(desk);
    await desk.correct(low, on('93.0', LOW, { status: 'corrected' }));
    const change = await desk.tree(`change-${low}`);
    expect(change).toMatchObject({ status: 'corrected' });
    expect(brief(change)).toContain('"value":"-7.0"');
  });
});

describe('the policy', () => {
  it('off derives no change, though the thresholds are told', async () => {
    const desk = await openDesk({ policy: policyWith({ 'derive.weightChange': 'off' }) });
    const { low } = await lost(desk);
    expect(await desk.store.read.current('Observation', `change-${low}`)).toBeUndefined();
  });

  it('every derives one for each weight after the first, and says when two do not compare', async () => {
    const desk = await openDesk({ policy: policyWith({ 'derive.weightChange': 'every' }) });
    const first = idOf(await desk.post(on('70.0', '2026-02-28T08:00:00Z')));
    const second = idOf(await desk.post(on('70.2', '2026-03-01T08:00:00Z')));
    const third = idOf(await desk.post(on('69.8', '2026-03-02T03:00:00Z')));
    expect(await desk.store.read.current('Observation', `change-${first}`)).toBeUndefined();
    expect(brief(await desk.tree(`change-${second}`))).toContain('"valueBoolean":true');
    const other = await desk.tree(`change-${third}`);
    expect(other['derivedFrom']).toEqual([{ reference: `Observation/${third}` }, { reference: `Observation/${second}` }]);
    expect(brief(other)).toContain('"valueBoolean":false');
  });
});
