/** New readings: how each is answered, what is stored, and what is queued for the EHR. */
import { describe, expect, it } from 'vitest';
import { parseExactJson } from '../../src/core/json.ts';
import { HELD_TAG, OURS } from '../../src/core/terminology.ts';
import { bmi, height, weight } from '../measurements.ts';
import type { ObservationFacts } from '../../src/ports.ts';
import { arrived } from '../arrived.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const EARLIER = { effectiveDateTime: '2026-03-01T08:00:00Z' };
const named = (value: string) => ({ identifier: [{ system: 'https://harbourlight.example/readings', value }] });
const references = (
  item: { readonly resources: readonly { readonly type: string; readonly id: string; readonly version: number }[] } | undefined,
) => item?.resources.map(({ type, id, version }) => `${type}/${id}/${version}`);

describe('an accepted reading', () => {
  it('is answered 201 with what was stored, digits and all', async () => {
    const desk = await openDesk();
    const answer = await desk.post(weight('70.50'));
    expect(answer).toMatchObject({ status: 201, verdict: 'accepted', resource: { type: 'Observation', version: 1 } });
    expect(answer.resource?.text).toContain('"value":70.50,');
    expect((await desk.store.read.current('Observation', idOf(answer)))?.text).toBe(answer.resource?.text);
  });

  it('is queued once, with its Provenance and the BMI that follows', async () => {
    const desk = await openDesk();
    const tall = idOf(await desk.post(height('160.0', 'cm', EARLIER)));
    const heavy = idOf(await desk.post(weight('80.0')));
    const [first, second, ...others] = await desk.outbox();
    expect(others).toEqual([]);
    expect(references(first)).toEqual([`Observation/${tall}/1`, `Provenance/prov-${tall}-1/1`]);
    expect(references(second)).toEqual([
      `Observation/${heavy}/1`,
      `Provenance/prov-${heavy}-1/1`,
      `Observation/bmi-${heavy}/1`,
      `Provenance/prov-bmi-${heavy}-1/1`,
    ]);
    expect(second).toMatchObject({ person: 'Patient/ada', state: 'waiting', concerns: [heavy, `bmi-${heavy}`, tall] });
  });

  it('is not queued where there is no EHR', async () => {
    const desk = await openDesk({ forwards: false });
    await desk.post(weight());
    expect(await desk.outbox()).toEqual([]);
  });

  it('is told about after the commit, a refusal is not', async () => {
    let told = 0;
    const desk = await openDesk({ onStored: () => (told += 1) });
    await desk.post(weight());
    await desk.post(weight('70.33'));
    expect(told).toBe(1);
  });

  it('of a height that comes late brings the BMI of the weights before it', async () => {
    const desk = await openDesk();
    const heavy = idOf(await desk.post(weight('80.0')));
    expect(await desk.standing()).toEqual([]);
    const tall = idOf(await desk.post(height('160.0', 'cm', EARLIER)));
    expect(await desk.standing()).toMatchObject([{ weightId: heavy, heightId: tall, valueText: '31.3' }]);
    expect(references((await desk.outbox())[1])).toContain(`Observation/bmi-${heavy}/1`);
  });

  it('of one person gives no BMI with the height of another', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', { ...EARLIER, subject: { reference: 'Patient/bo' } }));
    await desk.post(weight('80.0'));
    expect([await desk.standing(), await desk.standing('Patient/bo')]).toEqual([[], []]);
  });
});

describe('a held reading', () => {
  it('is answered 202, stored preliminary with our tag, and never queued', async () => {
    const desk = await openDesk();
    const answer = await desk.post(weight('1.5'));
    expect(answer).toMatchObject({ status: 202, verdict: 'held' });
    expect(await desk.tree(idOf(answer))).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG] } });
    expect(await desk.outbox()).toEqual([]);
    expect(await desk.counts()).toMatchObject({ observations: 1, provenances: 1, refusals: 0 });
  });

  it('gives no BMI, and is no earlier weight that could confirm another', async () => {
    const desk = await openDesk();
    await desk.put('Patient', { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17' } as never);
    await desk.post(height('160.0', 'cm', EARLIER));
    expect((await desk.post(weight('200.0', 'kg', { effectiveDateTime: '2026-03-02T07:00:00Z' }))).status).toBe(202);
    expect((await desk.post(weight('201.0'))).status).toBe(202);
    expect(await desk.standing()).toEqual([]);
  });

  it('that is sent again is still one', async () => {
    const desk = await openDesk();
    const first = await desk.post(weight('1.5'));
    expect(first.verdict).toBe('held');
    expect(await desk.post(weight('1.5'))).toMatchObject({ status: 200, resource: { id: idOf(first), version: 1 } });
  });
});

describe('a refused reading', () => {
  it('is answered 422 and kept apart, with the text as it came and the outcome', async () => {
    const desk = await openDesk();
    const text =
      '{ "resourceType" : "Observation","status":"final" ,"code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"valueQuantity":{"value":70.330,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}';
    const parsed = parseExactJson(text);
    if (!parsed.ok) throw new Error('the text should parse');
    const answer = await desk.intake.create(parsed.value, text);
    expect(answer).toMatchObject({ status: 422, verdict: 'refused' });
    expect(answer).not.toHaveProperty('resource');
    const [refusal] = await desk.store.read.refusals(10);
    expect(refusal).toMatchObject({ text, receivedAt: '2026-03-02T10:00:00.000Z' });
    expect(JSON.parse(refusal!.outcome)).toEqual(JSON.parse(JSON.stringify(answer.outcome)));
    expect(await desk.counts()).toEqual({ observations: 0, provenances: 0, patients: 0, devices: 0, refusals: 1, outbox: 0 });
  });

  it('that is no FHIR is answered 400 and kept as well', async () => {
    const desk = await openDesk();
    expect(await desk.post({ ...weight(), status: 'done' })).toMatchObject({ status: 400, verdict: 'refused' });
    expect(await desk.counts()).toMatchObject({ observations: 0, refusals: 1 });
  });
});

describe('the same reading again', () => {
  it.each([
    ['without an identifier', weight('70.0'), weight('70.00')],
    ['in another offset', weight('70.0'), weight('70.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00+01:00' })],
    ['under its identifier', weight('70.0', 'kg', named('1')), weight('70.0', 'kg', named('1'))],
    ['under another identifier', weight('70.0', 'kg', named('1')), weight('70.0', 'kg', named('2'))],
    [
      'of a day, under its identifier',
      weight('70.0', 'kg', { ...named('1'), effectiveDateTime: '2026-03-02' }),
      weight('70.0', 'kg', { ...named('1'), effectiveDateTime: '2026-03-02' }),
    ],
  ])('%s is answered 200 with the first one, and nothing is stored or queued', async (_how, first, again) => {
    const desk = await openDesk();
    const stored = await desk.post(first);
    const before = await desk.counts();
    const answer = await desk.post(again);
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted', resource: stored.resource });
    expect(rulesIn(answer)).toEqual(['resent']);
    expect(await desk.counts()).toEqual(before);
  });

  it('is known after a correction, and after a withdrawal', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('70.0', 'kg', named('1'))));
    await desk.correct(id, weight('71.0', 'kg', { ...named('1'), status: 'corrected' }));
    expect(await desk.post(weight('70.0', 'kg', named('1')))).toMatchObject({ status: 200, resource: { id, version: 2 } });
    await desk.correct(id, weight('71.0', 'kg', { ...named('1'), status: 'entered-in-error' }));
    expect(await desk.post(weight('70.0', 'kg', named('1')))).toMatchObject({ status: 200, resource: { id, version: 3 } });
    expect(await desk.post(weight('70.0'))).toMatchObject({ status: 200, resource: { id, version: 3 } });
  });

  it('under an identifier of its own, after the first was withdrawn, is a reading of its own', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('70.0', 'kg', named('1'))));
    await desk.correct(id, weight('70.0', 'kg', { ...named('1'), status: 'entered-in-error' }));
    const answer = await desk.post(weight('70.0', 'kg', named('2')));
    expect(answer.status).toBe(201);
    expect(idOf(answer)).not.toBe(id);
  });

  it('of a scale or person that became known in between is still one', async () => {
    const desk = await openDesk();
    const sent = weight('70.0', 'kg', {
      subject: { identifier: { system: 'urn:mrn', value: '1' } },
      device: { identifier: { system: 'urn:serial', value: 'S' } },
    });
    const id = idOf(await desk.post(sent));
    await desk.put('Patient', { resourceType: 'Patient', id: 'ada', identifier: [{ system: 'urn:mrn', value: '1' }] } as never);
    await desk.put('Device', { resourceType: 'Device', id: 's1', identifier: [{ system: 'urn:serial', value: 'S' }] } as never);
    expect(await desk.post(sent)).toMatchObject({ status: 200, resource: { id } });
  });
});

describe('another content under the same identity', () => {
  it.each([
    ['another value under one identifier', weight('70.0', 'kg', named('1')), weight('70.1', 'kg', named('1'))],
    [
      'another time under one identifier',
      weight('70.0', 'kg', named('1')),
      weight('70.0', 'kg', { ...named('1'), effectiveDateTime: '2026-03-02T08:01:00Z' }),
    ],
    [
      'another person under one identifier',
      weight('70.0', 'kg', named('1')),
      weight('70.0', 'kg', { ...named('1'), subject: { reference: 'Patient/bo' } }),
    ],
    [
      'a withdrawal under one identifier',
      weight('70.0', 'kg', named('1')),
      weight('70.0', 'kg', { ...named('1'), status: 'entered-in-error' }),
    ],
    ['a withdrawal without an identifier', weight('70.0'), weight('70.0', 'kg', { status: 'entered-in-error' })],
    ['a final one after a preliminary one', weight('70.0', 'kg', { status: 'preliminary' }), weight('70.0')],
  ])('%s is refused with 409 and says which one to correct', async (_what, first, second) => {
    const desk = await openDesk();
    const id = idOf(await desk.post(first));
    const answer = await desk.post(second);
    expect(answer).toMatchObject({ status: 409, verdict: 'refused' });
    const rule =
      _what.includes('without an identifier') || _what.includes('preliminary') ? 'same-reading-other-status' : 'identifier-conflict';
    expect(rulesIn(answer)).toEqual([rule]);
    expect(answer.outcome.issue[0]?.diagnostics).toContain(`Observation/${id}`);
    expect(await desk.counts()).toMatchObject({ observations: 1, refusals: 1 });
  });

  it('does not listen to an identifier of ours, which nobody else may give', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('70.0')));
    const answer = await desk.post(weight('71.0', 'kg', { identifier: [{ system: OURS.observationIdentifier, value: id }] }));
    expect(answer.status).toBe(201);
    expect(await desk.tree(idOf(answer))).toMatchObject({ identifier: [{ system: OURS.observationIdentifier, value: idOf(answer) }] });
  });
});

/** Searchable facts like those of a stored weight. */
async function factsOfStored(desk: Desk): Promise<ObservationFacts> {
  const [of] = await desk.readings();
  if (of === undefined) throw new Error('nothing is stored');
  const { person, effective } = of;
  return {
    of: 'weight',
    reading: { ...of, id: 'imported' },
    person,
    status: 'final',
    held: false,
    startMs: effective.startMs,
    endMs: effective.endMs,
    codes: [],
    identifiers: [],
    categories: [],
    tags: [],
    derivedFrom: [],
  };
}

describe('a conditional create', () => {
  it('gives the one that fits, and stores nothing', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('70.0', 'kg', named('1'))));
    const condition = { system: 'https://harbourlight.example/readings', value: '1' };
    const again = await desk.post(weight('75.0'), condition);
    expect(again).toMatchObject({ status: 200, verdict: 'accepted', resource: { id } });
    expect(rulesIn(again)).toEqual(['resent']);
    expect(await desk.post(weight('75.0'), { ...condition, value: '2' })).toMatchObject({ status: 201 });
    expect(await desk.counts()).toMatchObject({ observations: 2 });
  });

  it('that fits a held reading says that it still waits', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('1.5', 'kg', named('1'))));
    const again = await desk.post(weight('75.0'), { system: 'https://harbourlight.example/readings', value: '1' });
    expect(again).toMatchObject({ status: 200, verdict: 'held', resource: { id } });
    expect(rulesIn(again)).toEqual(['resent-held']);
  });

  it('that fits several is refused with 412 and kept', async () => {
    const desk = await openDesk();
    const shared = { system: 'urn:batch', value: 'b' };
    await desk.post(weight('70.0', 'kg', { identifier: [shared] }));
    // no call gives two readings one identifier: only a store from elsewhere can hold such
    const facts = { ...(await factsOfStored(desk)), identifiers: [shared] };
    await desk.store.write((tx) => tx.putObservation('imported', { resourceType: 'Observation' }, facts));
    const answer = await desk.post(weight('72.0'), shared);
    expect(answer).toMatchObject({ status: 412, verdict: 'refused' });
    expect(rulesIn(answer)).toEqual(['several-matches']);
    expect(await desk.counts()).toMatchObject({ observations: 2, refusals: 1 });
  });
});

describe("a sender's own BMI", () => {
  it('that equals is answered 200 with ours; another is refused; neither is stored', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', EARLIER));
    const heavy = idOf(await desk.post(weight('80.0')));
    const before = await desk.counts();
    expect(await desk.post(bmi('31.25'))).toMatchObject({ status: 200, verdict: 'accepted', resource: { id: `bmi-${heavy}` } });
    // 80.0 / 1.600² = 31.25: one decimal is rounded half up, and a zero after it asks for no second one
    expect(await desk.post(bmi('31.30'))).toMatchObject({ status: 200, verdict: 'accepted', resource: { id: `bmi-${heavy}` } });
    expect(await desk.post(bmi('31.2'))).toMatchObject({ status: 422, verdict: 'refused' });
    expect(await desk.counts()).toEqual({ ...before, refusals: 1 });
  });
});

describe('a resend', () => {
  it('of a held reading says that it still waits', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('1.5')));
    const again = await desk.post(weight('1.5'));
    expect(again).toMatchObject({ status: 200, verdict: 'held', resource: { id } });
    expect(again.outcome.issue).toMatchObject([{ severity: 'warning', details: { coding: [{ code: 'resent-held' }] } }]);
    expect(await desk.intake.assess(arrived(weight('1.5')).tree)).toMatchObject({ verdict: 'held' });
  });

  it('under an identifier of its own makes that a name of the same reading', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('70.0', 'kg', named('A'))));
    expect(await desk.post(weight('70.0', 'kg', named('B')))).toMatchObject({ status: 200, resource: { id } });
    expect(await desk.post(weight('71.0', 'kg', { ...named('B'), effectiveDateTime: '2026-03-02T09:00:00Z' }))).toMatchObject({
      status: 409,
    });
  });

  it('of a day, without an identifier, is the same reading; with two identifiers it is two', async () => {
    const desk = await openDesk();
    const day = { effectiveDateTime: '2026-03-01' };
    const id = idOf(await desk.post(weight('70.0', 'kg', day)));
    expect(await desk.post(weight('70.0', 'kg', day))).toMatchObject({ status: 200, resource: { id } });
    expect(await desk.post(weight('70.0', 'kg', { ...day, ...named('morning') }))).toMatchObject({ status: 201 });
    expect(await desk.post(weight('70.0', 'kg', { ...day, ...named('evening') }))).toMatchObject({ status: 201 });
  });

  it('of a copy that stands is known although an earlier copy was withdrawn', async () => {
    const desk = await openDesk();
    const first = idOf(await desk.post(weight('70.0', 'kg', named('A'))));
    await desk.correct(first, weight('70.0', 'kg', { ...named('A'), status: 'entered-in-error' }));
    const second = idOf(await desk.post(weight('70.0', 'kg', named('B'))));
    expect(await desk.post(weight('70.0', 'kg', named('C')))).toMatchObject({ status: 200, resource: { id: second } });
  });
});
