/** Two records of one person: what a replaced-by link does, and what taking it back does. Everybody is invented. */
import { describe, expect, it } from 'vitest';
import { height, weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const WRISTBAND = { system: 'https://harbourlight.example/wristband', value: 'N-7' };
const EARLIER = { effectiveDateTime: '2026-03-01T08:00:00Z' };
const LATER = { effectiveDateTime: '2026-03-02T09:00:00Z' };
const of = (id: string) => ({ subject: { reference: `Patient/${id}` } });
const replacedBy = (...ids: string[]) => ({ link: ids.map((id) => ({ type: 'replaced-by', other: { reference: `Patient/${id}` } })) });
const patient = (id: string, members: object = {}) => ({ resourceType: 'Patient', id, birthDate: '1970-01-01', ...members });

/** `value of weight, height` of the BMI that stand, whatever their ids. */
const bmiOf = async (desk: Desk, id: string): Promise<string[]> =>
  (await desk.standing(`Patient/${id}`)).map(({ valueText, weightId, heightId }) => `${valueText} of ${weightId}, ${heightId}`).sort();
const filedFor = async (desk: Desk, id: string): Promise<string[]> => (await desk.readings(`Patient/${id}`)).map((one) => one.id).sort();

describe('a Patient who is replaced by another', () => {
  it('gives up its readings and BMI, and the survivor’s set is complete', async () => {
    const desk = await openDesk();
    const heightOfA = idOf(await desk.post(height('160.0', 'cm', { ...EARLIER, ...of('ada') })));
    const weightOfA = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    const weightOfB = idOf(await desk.post(weight('81.0', 'kg', { ...LATER, ...of('bo') })));
    expect([await bmiOf(desk, 'ada'), await bmiOf(desk, 'bo')]).toEqual([[`31.3 of ${weightOfA}, ${heightOfA}`], []]);

    await desk.put('Patient', patient('bo'));
    await desk.put('Patient', patient('ada', replacedBy('bo')));

    expect([await filedFor(desk, 'ada'), await filedFor(desk, 'bo')]).toEqual([[], [heightOfA, weightOfA, weightOfB].sort()]);
    expect(await bmiOf(desk, 'ada')).toEqual([]);
    expect(await bmiOf(desk, 'bo')).toEqual([`31.3 of ${weightOfA}, ${heightOfA}`, `31.6 of ${weightOfB}, ${heightOfA}`]);
    expect(await desk.tree(`bmi-${weightOfA}`)).toMatchObject({ status: 'entered-in-error', subject: { reference: 'Patient/ada' } });
    expect(await desk.tree(`bmi-${weightOfA}-1`)).toMatchObject({ status: 'final', subject: { reference: 'Patient/bo' } });
    expect(await desk.tree(weightOfA)).toMatchObject({ subject: { reference: 'Patient/ada' } });
    expect((await desk.readings('Patient/bo')).find(({ id }) => id === weightOfB)?.comparison?.previous).toBe(weightOfA);
  });

  it('gets nothing that is sent for it from then on', async () => {
    const desk = await openDesk();
    await desk.put('Patient', patient('ada', { ...replacedBy('bo'), identifier: [WRISTBAND] }));
    const tall = idOf(await desk.post(height('160.0', 'cm', { ...EARLIER, ...of('ada') })));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', { subject: { identifier: WRISTBAND } })));
    expect(await filedFor(desk, 'bo')).toEqual([tall, heavy].sort());
    expect(await bmiOf(desk, 'bo')).toEqual([`31.3 of ${heavy}, ${tall}`]);
    expect(await desk.counts()).toMatchObject({ patients: 1 });
  });

  it('is asked about the facts of the survivor, also when that one becomes known later', async () => {
    const desk = await openDesk();
    await desk.put('Patient', patient('ada', replacedBy('bo')));
    await desk.post(height('86.0', 'cm', { ...EARLIER, ...of('ada') }));
    await desk.post(weight('12.0', 'kg', of('ada')));
    expect(await desk.standing('Patient/bo')).toHaveLength(1);
    await desk.put('Patient', patient('bo', { birthDate: '2025-01-10' }));
    expect(await desk.standing('Patient/bo')).toEqual([]);
  });

  it('leaves the same whether the link comes before, between or after the readings', async () => {
    const outcomes = [];
    for (const place of [0, 1, 2, 3, 4]) {
      const desk = await openDesk();
      const steps = [
        () => desk.post(height('160.0', 'cm', { ...EARLIER, ...of('ada') })),
        () => desk.post(weight('80.0', 'kg', of('ada'))),
        () => desk.post(weight('81.0', 'kg', { ...LATER, ...of('bo') })),
        () => desk.put('Patient', patient('bo')),
      ];
      const merged = [...steps.slice(0, place), () => desk.put('Patient', patient('ada', replacedBy('bo'))), ...steps.slice(place)];
      for (const step of merged) await step();
      const readings = await desk.readings('Patient/bo');
      outcomes.push([
        await bmiOf(desk, 'bo'),
        await bmiOf(desk, 'ada'),
        readings.map(({ held, comparison }) => [held, comparison?.changeKg]),
      ]);
    }
    expect(outcomes[0]?.[0]).toHaveLength(2);
    for (const outcome of outcomes) expect(outcome).toEqual(outcomes[0]);
  });

  it('passes on along a chain, in whichever order the links came', async () => {
    for (const order of [
      ['ada', 'bo'],
      ['bo', 'ada'],
    ] as const) {
      const desk = await openDesk();
      const links = { ada: 'bo', bo: 'cy' } as const;
      const id = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
      for (const from of order) await desk.put('Patient', patient(from, replacedBy(links[from])));
      expect(await filedFor(desk, 'cy')).toEqual([id]);
      expect(idOf(await desk.post(weight('80.0', 'kg', of('ada'))))).toBe(id);
    }
  });

  it('is one person with the survivor when both carry an identifier', async () => {
    const desk = await openDesk();
    await desk.put('Patient', patient('bo', { identifier: [WRISTBAND] }));
    await desk.put('Patient', patient('ada', { identifier: [WRISTBAND] }));
    expect(rulesIn(await desk.post(weight('80.0', 'kg', { subject: { identifier: WRISTBAND } })))).toContain('person-ambiguous');
    await desk.put('Patient', patient('ada', { identifier: [WRISTBAND], ...replacedBy('bo') }));
    const answer = await desk.post(weight('80.1', 'kg', { ...LATER, subject: { identifier: WRISTBAND } }));
    expect(rulesIn(answer)).not.toContain('person-ambiguous');
    expect(await filedFor(desk, 'bo')).toContain(idOf(answer));
  });

  it('hides no resend, by either id, before or after', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    await desk.put('Patient', patient('ada', replacedBy('bo')));
    for (const who of ['ada', 'bo'])
      expect(await desk.post(weight('80.0', 'kg', of(who)))).toMatchObject({ status: 200, resource: { id } });
    await desk.put('Patient', patient('ada'));
    expect(await desk.post(weight('80.0', 'kg', of('ada')))).toMatchObject({ status: 200, resource: { id } });
  });

  it('may have its readings corrected and withdrawn under the id that they were sent for', async () => {
    const desk = await openDesk();
    const tall = idOf(await desk.post(height('160.0', 'cm', { ...EARLIER, ...of('ada') })));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    await desk.put('Patient', patient('ada', replacedBy('bo')));
    expect(await desk.correct(heavy, weight('82.0', 'kg', { ...of('ada'), status: 'corrected' }))).toMatchObject({ status: 200 });
    expect(await bmiOf(desk, 'bo')).toEqual([`32.0 of ${heavy}, ${tall}`]);
    await desk.correct(heavy, weight('82.0', 'kg', { ...of('ada'), status: 'entered-in-error' }));
    expect(await bmiOf(desk, 'bo')).toEqual([]);
  });
});

describe('a link that is taken back', () => {
  it('gives the readings that were sent for the record back to it, and both sets are made anew', async () => {
    const desk = await openDesk();
    await desk.put('Patient', patient('ada', { identifier: [WRISTBAND] }));
    const tall = idOf(await desk.post(height('160.0', 'cm', { ...EARLIER, ...of('ada') })));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', { subject: { identifier: WRISTBAND } })));
    const own = idOf(await desk.post(weight('84.0', 'kg', { ...LATER, ...of('bo') })));
    await desk.put('Patient', patient('ada', { identifier: [WRISTBAND], ...replacedBy('bo') }));
    const meanwhile = idOf(await desk.post(weight('80.5', 'kg', { effectiveDateTime: '2026-03-02T08:30:00Z', ...of('ada') })));
    expect(await bmiOf(desk, 'bo')).toHaveLength(3);

    await desk.put('Patient', patient('ada', { identifier: [WRISTBAND] }));

    expect([await filedFor(desk, 'ada'), await filedFor(desk, 'bo')]).toEqual([[tall, heavy, meanwhile].sort(), [own]]);
    expect(await bmiOf(desk, 'ada')).toEqual([`31.3 of ${heavy}, ${tall}`, `31.4 of ${meanwhile}, ${tall}`]);
    expect(await bmiOf(desk, 'bo')).toEqual([]);
    expect(await desk.tree(`bmi-${heavy}`)).toMatchObject({
      status: 'final',
      meta: { versionId: '3' },
      subject: { reference: 'Patient/ada' },
    });
    expect(await desk.tree(`bmi-${own}`)).toMatchObject({ status: 'entered-in-error', subject: { reference: 'Patient/bo' } });
  });

  it('that turns to another survivor takes along what passed through it', async () => {
    const desk = await openDesk();
    const first = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    const second = idOf(await desk.post(weight('80.1', 'kg', { ...LATER, ...of('bo') })));
    await desk.put('Patient', patient('ada', replacedBy('bo')));
    await desk.put('Patient', patient('bo', replacedBy('cy')));
    await desk.put('Patient', patient('bo', replacedBy('dee')));
    expect([await filedFor(desk, 'cy'), await filedFor(desk, 'dee')]).toEqual([[], [first, second].sort()]);
    await desk.put('Patient', patient('bo'));
    expect([await filedFor(desk, 'dee'), await filedFor(desk, 'bo')]).toEqual([[], [first, second].sort()]);
  });
});

describe('a replacement that cannot be followed', () => {
  it.each<[string, object]>([
    ['by itself', replacedBy('ada')],
    ['by two', replacedBy('bo', 'cy')],
    ['by an identifier', { link: [{ type: 'replaced-by', other: { identifier: WRISTBAND } }] }],
    ['by a related person', { link: [{ type: 'replaced-by', other: { reference: 'RelatedPerson/bo' } }] }],
    ['on another host', { link: [{ type: 'replaced-by', other: { reference: 'https://elsewhere.example/fhir/Patient/bo' } }] }],
  ])('is refused: %s', async (_how, link) => {
    const desk = await openDesk();
    const answer = await desk.put('Patient', patient('ada', link));
    expect(answer).toMatchObject({ status: 422, verdict: 'refused' });
    expect(rulesIn(answer)).toEqual(['registry-fact-unusable']);
    expect(answer.outcome.issue[0]?.expression?.[0]).toMatch(/^Patient\.link\[\d\]\.other$/);
    expect(await desk.counts()).toMatchObject({ patients: 0 });
  });

  it('is refused when it closes a circle, and nothing moves', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    await desk.put('Patient', patient('ada', replacedBy('bo')));
    await desk.put('Patient', patient('bo', replacedBy('cy')));
    expect(await desk.put('Patient', patient('cy', replacedBy('ada')))).toMatchObject({ status: 422, verdict: 'refused' });
    expect(await filedFor(desk, 'cy')).toEqual([id]);
  });
});

describe('links of other types', () => {
  it.each(['replaces', 'refer', 'seealso'])('move nothing: %s', async (type) => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    expect(await desk.put('Patient', patient('bo', { link: [{ type, other: { reference: 'Patient/ada' } }] }))).toMatchObject({
      status: 201,
    });
    expect(await desk.put('Patient', patient('ada', { link: [{ type, other: { reference: 'Patient/bo' } }] }))).toMatchObject({
      status: 201,
    });
    expect([await filedFor(desk, 'ada'), await filedFor(desk, 'bo')]).toEqual([[id], []]);
  });
});

describe('the order at the EHR', () => {
  const lease = 30_000;
  /** Sends one after the other whatever may be sent, and gives the Observations in the order in which they went. */
  async function sendAll({ store }: Desk): Promise<string[]> {
    const sent: string[] = [];
    for (;;) {
      const items = await store.outbox.claim(Date.parse('2026-03-03T00:00:00Z'), lease, 1);
      const [item] = items;
      if (item === undefined) return sent;
      sent.push(...item.resources.filter(({ type }) => type === 'Observation').map(({ id, version }) => `${id}/${version}`));
      await store.outbox.markSent(item.number, []);
    }
  }

  it('survives a merge and its end while everything waits: no version before an older one, no BMI before its inputs', async () => {
    const desk = await openDesk();
    const tall = idOf(await desk.post(height('160.0', 'cm', { ...EARLIER, ...of('ada') })));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', of('ada'))));
    const own = idOf(await desk.post(weight('81.0', 'kg', { ...LATER, ...of('bo') })));
    await desk.put('Patient', patient('ada', replacedBy('bo')));
    expect(new Set((await desk.outbox()).slice(0, 3).map(({ person }) => person))).toEqual(new Set(['Patient/bo']));
    await desk.put('Patient', patient('ada'));
    const sent = await sendAll(desk);
    expect(sent.length).toBeGreaterThan(6);
    const at = (what: string): number => sent.indexOf(what);
    for (const [bmi, ...inputs] of [
      [`bmi-${heavy}/1`, `${tall}/1`, `${heavy}/1`],
      [`bmi-${heavy}-1/1`, `${tall}/1`, `${heavy}/1`],
      [`bmi-${own}/1`, `${tall}/1`, `${own}/1`],
    ] as const) {
      for (const input of inputs) expect([at(input) >= 0, at(bmi) >= at(input)]).toEqual([true, true]);
    }
    const latest = new Map<string, number>();
    for (const [id = '', version = ''] of sent.map((one) => one.split('/'))) {
      expect(Number(version)).toBeGreaterThan(latest.get(id) ?? 0);
      latest.set(id, Number(version));
    }
    expect((await desk.store.outbox.counts()).waiting).toBe(0);
  });
});
