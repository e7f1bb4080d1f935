/** Corrections: PUT of a whole reading under its id. */
import { describe, expect, it } from 'vitest';
import { HELD_TAG, OURS } from '../../src/core/terminology.ts';
import { bmi, height, weight } from '../measurements.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const EARLIER = { effectiveDateTime: '2026-03-01T08:00:00Z' };

/** A desk with a height of 160.0 cm and a weight of 80.0 kg, which gives a BMI of 31.3. */
async function deskWithBmi(): Promise<{ readonly desk: Desk; readonly heavy: string; readonly tall: string }> {
  const desk = await openDesk();
  const tall = idOf(await desk.post(height('160.0', 'cm', EARLIER)));
  const heavy = idOf(await desk.post(weight('80.0')));
  return { desk, heavy, tall };
}

async function lastQueued(desk: Desk): Promise<string[]> {
  return ((await desk.outbox()).at(-1)?.resources ?? []).map(({ type, id, version }) => `${type}/${id}/${version}`);
}

describe('an amended value', () => {
  it('is the next version, and so is the BMI that follows from it', async () => {
    const { desk, heavy, tall } = await deskWithBmi();
    const answer = await desk.correct(heavy, weight('81.0', 'kg', { status: 'amended' }));
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted', resource: { id: heavy, version: 2 } });
    expect(await desk.standing()).toMatchObject([
      { id: `bmi-${heavy}`, version: 2, weightId: heavy, heightId: tall, valueText: '31.6', status: 'amended' },
    ]);
    expect(await lastQueued(desk)).toEqual([
      `Observation/${heavy}/2`,
      `Provenance/prov-${heavy}-2/1`,
      `Observation/bmi-${heavy}/2`,
      `Provenance/prov-bmi-${heavy}-2/1`,
    ]);
    const history = await desk.store.read.history('Observation', heavy);
    expect(history.map(({ version, text }) => [version, /"value":([\d.]+)/.exec(text)?.[1]])).toEqual([
      [2, '81.0'],
      [1, '80.0'],
    ]);
  });

  it('of a height changes the BMI of each weight that used it', async () => {
    const { desk, tall } = await deskWithBmi();
    await desk.post(weight('82.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' }));
    await desk.correct(tall, height('170.0', 'cm', { ...EARLIER, status: 'corrected' }));
    expect((await desk.standing()).map(({ valueText, status }) => [valueText, status])).toEqual([
      ['27.7', 'corrected'],
      ['28.4', 'corrected'],
    ]);
  });

  it('of the time may take another height', async () => {
    const { desk, heavy } = await deskWithBmi();
    const first = idOf(await desk.post(height('150.0', 'cm', { effectiveDateTime: '2026-02-20T08:00:00Z' })));
    await desk.correct(heavy, weight('80.0', 'kg', { status: 'corrected', effectiveDateTime: '2026-02-25T08:00:00Z' }));
    expect(await desk.standing()).toMatchObject([{ heightId: first, valueText: '35.6', effectiveText: '2026-02-25T08:00:00Z' }]);
  });
});

describe('a withdrawal', () => {
  it('of a weight voids its BMI, and the EHR gets both', async () => {
    const { desk, heavy } = await deskWithBmi();
    const answer = await desk.correct(heavy, weight('80.0', 'kg', { status: 'entered-in-error' }));
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted' });
    expect(await desk.standing()).toEqual([]);
    expect(await desk.tree(`bmi-${heavy}`)).toMatchObject({ status: 'entered-in-error' });
    expect(await lastQueued(desk)).toEqual([
      `Observation/${heavy}/2`,
      `Provenance/prov-${heavy}-2/1`,
      `Observation/bmi-${heavy}/2`,
      `Provenance/prov-bmi-${heavy}-2/1`,
    ]);
  });

  it('of a height leaves the BMI with the height before it', async () => {
    const { desk, tall } = await deskWithBmi();
    const older = idOf(await desk.post(height('150.0', 'cm', { effectiveDateTime: '2026-02-20T08:00:00Z' })));
    await desk.correct(tall, height('160.0', 'cm', { ...EARLIER, status: 'entered-in-error' }));
    expect(await desk.standing()).toMatchObject([{ heightId: older, valueText: '35.6' }]);
  });

  it('may itself be withdrawn: the reading and its BMI come back', async () => {
    const { desk, heavy } = await deskWithBmi();
    await desk.correct(heavy, weight('80.0', 'kg', { status: 'entered-in-error' }));
    await desk.correct(heavy, weight('80.0', 'kg', { status: 'corrected' }));
    expect(await desk.standing()).toMatchObject([{ id: `bmi-${heavy}`, version: 3, valueText: '31.3', status: 'corrected' }]);
  });

  it('of a reading of a scale that was taken out of use goes through', async () => {
    const desk = await openDesk();
    await desk.put('Device', { resourceType: 'Device', id: 's1', status: 'active' } as never);
    const on = { device: { reference: 'Device/s1' } };
    const id = idOf(await desk.post(weight('80.0', 'kg', on)));
    await desk.put('Device', { resourceType: 'Device', id: 's1', status: 'inactive' } as never);
    expect(await desk.correct(id, weight('80.0', 'kg', { ...on, status: 'entered-in-error' }))).toMatchObject({
      status: 200,
      verdict: 'accepted',
    });
    expect(await desk.tree(id)).toMatchObject({ status: 'entered-in-error' });
    expect(await lastQueued(desk)).toContain(`Observation/${id}/2`);
  });

  it('of a reading that was held all its life is not sent to an EHR that never had it', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('1.5')));
    expect(await desk.correct(id, weight('1.5', 'kg', { status: 'entered-in-error' }))).toMatchObject({ status: 200 });
    expect(await desk.outbox()).toEqual([]);
  });

  it('of a reading that was valid before it was held is sent', async () => {
    const { desk, heavy } = await deskWithBmi();
    expect(await desk.correct(heavy, weight('1.5', 'kg', { status: 'amended' }))).toMatchObject({ status: 202 });
    await desk.correct(heavy, weight('1.5', 'kg', { status: 'entered-in-error' }));
    expect(await lastQueued(desk)).toEqual([`Observation/${heavy}/3`, `Provenance/prov-${heavy}-3/1`]);
  });
});

describe('a correction that is doubtful', () => {
  it('is held: the reading waits, its BMI is voided, and only that is sent', async () => {
    const { desk, heavy } = await deskWithBmi();
    const answer = await desk.correct(heavy, weight('1.5', 'kg', { status: 'amended' }));
    expect(answer).toMatchObject({ status: 202, verdict: 'held', resource: { version: 2 } });
    expect(await desk.tree(heavy)).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG] } });
    expect(await desk.standing()).toEqual([]);
    expect(await lastQueued(desk)).toEqual([`Observation/bmi-${heavy}/2`, `Provenance/prov-bmi-${heavy}-2/1`]);
  });

  it('is accepted once it is put right, with the status that its sender had given it', async () => {
    const { desk, heavy } = await deskWithBmi();
    await desk.correct(heavy, weight('1.5', 'kg', { status: 'amended' }));
    const held = await desk.tree(heavy);
    const answer = await desk.correct(heavy, { ...held, valueQuantity: weight('80.5').valueQuantity });
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted' });
    const accepted = await desk.tree(heavy);
    expect(accepted).toMatchObject({ status: 'amended', identifier: [{ system: OURS.observationIdentifier, value: heavy }] });
    expect(accepted['meta']).not.toHaveProperty('tag');
    expect(accepted).not.toHaveProperty('extension');
    expect(await desk.standing()).toMatchObject([{ valueText: '31.4', status: 'amended' }]);
  });

  it('that does not change what was wrong is held again', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('1.5')));
    expect(await desk.correct(id, await desk.tree(id))).toMatchObject({ status: 202, resource: { version: 2 } });
  });
});

describe('what a correction may not do', () => {
  it.each([
    ['name another person', weight('80.0', 'kg', { subject: { reference: 'Patient/bo' } }), 'correction-other-reading'],
    ['make a height of a weight', height('160.0'), 'correction-other-reading'],
    ['break the precision rule', weight('80.33'), 'precision-step'],
    ['be no FHIR', { ...weight(), status: 'done' }, 'fhir-code'],
  ])('%s: it is refused, kept, and changes nothing', async (_what, body, rule) => {
    const { desk, heavy } = await deskWithBmi();
    const before = await desk.counts();
    const answer = await desk.correct(heavy, body);
    expect(answer.verdict).toBe('refused');
    expect(rulesIn(answer)).toContain(rule);
    expect(await desk.counts()).toEqual({ ...before, refusals: 1 });
    expect((await desk.store.read.current('Observation', heavy))?.version).toBe(1);
  });

  it('correct a BMI by hand', async () => {
    const { desk, heavy } = await deskWithBmi();
    const answer = await desk.correct(`bmi-${heavy}`, bmi('30.0'));
    expect(answer).toMatchObject({ status: 422, verdict: 'refused' });
    expect(rulesIn(answer)).toEqual(['bmi-not-correctable']);
  });

  it('go to an id that is not stored', async () => {
    const desk = await openDesk();
    await expect(desk.correct('nobody', weight())).rejects.toMatchObject({ code: 'ERR_METHOD' });
    expect(await desk.counts()).toMatchObject({ observations: 0, refusals: 0 });
  });

  it('go to a version that is not the current one', async () => {
    const { desk, heavy } = await deskWithBmi();
    await desk.correct(heavy, weight('81.0', 'kg', { status: 'amended' }));
    await expect(desk.correct(heavy, weight('82.0', 'kg', { status: 'amended' }), 1)).rejects.toMatchObject({
      code: 'ERR_VERSION_CONFLICT',
    });
    expect(await desk.standing()).toMatchObject([{ valueText: '31.6' }]);
  });

  it('name another id than its address', async () => {
    const { desk, heavy } = await deskWithBmi();
    const body = { ...weight('81.0'), id: 'other' };
    await expect(desk.intake.correct(heavy, body as never, '', 1)).rejects.toMatchObject({
      code: 'ERR_BAD_VALUE',
      expression: 'Observation.id',
    });
    await expect(desk.intake.correct(heavy, 'text', '', 1)).rejects.toMatchObject({ code: 'ERR_BAD_VALUE' });
  });
});

describe('a reading whose person was named by an identifier', () => {
  const BY_WRISTBAND = { subject: { identifier: { system: 'https://harbourlight.example/wristband', value: 'N-1' } } };
  const wearer = (
    id: string,
  ): { readonly resourceType: string; readonly id: string; readonly birthDate: string; readonly identifier: object[] } => ({
    resourceType: 'Patient',
    id,
    birthDate: '1970-01-01',
    identifier: [{ system: 'https://harbourlight.example/wristband', value: 'N-1' }],
  });

  it('stays with the person that it is filed for when the identifier has come to fit another too', async () => {
    const desk = await openDesk();
    await desk.put('Patient', wearer('bo'));
    await desk.post(height('160.0', 'cm', { ...EARLIER, ...BY_WRISTBAND }));
    const heavy = idOf(await desk.post(weight('80.0', 'kg', BY_WRISTBAND)));
    expect(await desk.standing('Patient/bo')).toMatchObject([{ weightId: heavy, valueText: '31.3' }]);
    await desk.put('Patient', wearer('ada'));
    const answer = await desk.correct(heavy, weight('80.0', 'kg', { ...BY_WRISTBAND, status: 'entered-in-error' }));
    expect(answer.status).toBe(200);
    expect(await desk.standing('Patient/bo')).toEqual([]);
    expect((await desk.readings('Patient/bo')).map(({ status }) => status)).toEqual(['final', 'entered-in-error']);
  });
});

describe('a correction that leaves out the identifier of its sender', () => {
  it('does not hide a resend of the reading, although its day alone would not tell', async () => {
    const desk = await openDesk();
    const named = { identifier: [{ system: 'https://harbourlight.example/reading', value: 'day-1' }], effectiveDateTime: '2026-03-01' };
    const id = idOf(await desk.post(weight('80.0', 'kg', named)));
    await desk.correct(id, weight('81.0', 'kg', { effectiveDateTime: '2026-03-01', status: 'amended' }));
    const again = await desk.post(weight('80.0', 'kg', named));
    expect(again).toMatchObject({ status: 200, resource: { id, version: 2 } });
    expect((await desk.readings()).length).toBe(1);
  });
});

describe('what the service added itself', () => {
  it('is added anew by a correction, from what is known by then', async () => {
    const desk = await openDesk();
    const on = { device: { reference: 'Device/bed' } };
    const id = idOf(await desk.post(weight('80.0', 'kg', on)));
    await desk.put('Device', {
      resourceType: 'Device',
      id: 'bed',
      extension: [{ url: OURS.defaultMethodExtension, valueCode: 'bed-scale' }],
    } as never);
    const asServed = (await desk.tree(id)) as unknown as object;
    await desk.correct(id, { ...asServed, ...on, status: 'amended' });
    const corrected = (await desk.tree(id)) as unknown as {
      readonly method: object;
      readonly component: readonly {
        readonly code: { readonly coding: readonly { readonly code: string }[] };
        readonly valueCodeableConcept?: object;
      }[];
    };
    const answers = corrected.component.map(({ code, valueCodeableConcept }) => [code.coding[0]?.code, valueCodeableConcept !== undefined]);
    expect(corrected.method).toMatchObject({ coding: [{ code: 'bed-scale' }] });
    expect(answers).toEqual([
      ['method', true],
      ['8356-8', true],
      ['8352-7', false],
      ['8361-8', true],
    ]);
  });

  it('stays when the corrector made it their own', async () => {
    const desk = await openDesk();
    const id = idOf(await desk.post(weight('80.0')));
    const asServed = (await desk.tree(id)) as unknown as { readonly component: readonly object[] };
    const component = [{ ...asServed.component[0], dataAbsentReason: { text: 'nobody remembers' } }, ...asServed.component.slice(1)];
    await desk.correct(id, { ...asServed, component, status: 'amended' });
    expect(await desk.tree(id)).toMatchObject({ component: [{ dataAbsentReason: { text: 'nobody remembers' } }, {}, {}] });
  });
});

describe('a correction under an identifier of another reading', () => {
  it('is refused with 409', async () => {
    const desk = await openDesk();
    const named = (value: string) => ({ identifier: [{ system: 'https://harbourlight.example/reading', value }] });
    const first = idOf(await desk.post(weight('80.0', 'kg', named('1'))));
    const second = idOf(await desk.post(weight('81.0', 'kg', { ...named('2'), effectiveDateTime: '2026-03-02T09:00:00Z' })));
    const answer = await desk.correct(second, weight('81.0', 'kg', { ...named('1'), effectiveDateTime: '2026-03-02T09:00:00Z' }));
    expect(answer.status).toBe(409);
    expect(answer.outcome.issue[0]?.diagnostics).toContain(`Observation/${first}`);
  });
});

describe('a withdrawal of what was preliminary at the EHR and held since', () => {
  it('is forwarded, since the EHR has the preliminary one', async () => {
    const desk = await openDesk();
    await desk.post(height('160.0', 'cm', EARLIER));
    const id = idOf(await desk.post(weight('80.0', 'kg', { status: 'preliminary' })));
    expect((await desk.correct(id, weight('200.0', 'kg', { status: 'final' }))).status).toBe(202);
    await desk.correct(id, weight('200.0', 'kg', { status: 'entered-in-error' }));
    expect(await lastQueued(desk)).toContain(`Observation/${id}/3`);
  });
});
