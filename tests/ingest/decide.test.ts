/** What becomes of a held reading by a decision: on the real use case and the real store. */
import { beforeEach, describe, expect, it } from 'vitest';
import { exactNumber, type JsonValue } from '../../src/core/json.ts';
import { HELD_TAG, OURS, QUALIFIER, SYSTEM, WEIGH_AGAIN_TAG } from '../../src/core/terminology.ts';
import { NOW, policyWith, weight, height } from '../measurements.ts';
import { decide, kilograms, NURSE, queued, REASON, toldBy, type Asked } from './decisions-asked.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const AT = new Date(NOW).toISOString();
const BO = { reference: 'Patient/bo' };
const ID = { identifier: [{ system: 'https://harbourlight.example/readings', value: 'R-1' }] };
const patient = (id: string, birthDate = '1980-05-17'): { readonly id: string } =>
  ({ resourceType: 'Patient', id, birthDate }) as { id: string };
const at = (hour: string) => ({ effectiveDateTime: `2026-03-02T${hour}:00:00Z` });
const tags = (tree: object): unknown[] => ((tree as { meta?: { tag?: { code: string }[] } }).meta?.tag ?? []).map(({ code }) => code);

let desk: Desk;
let held: string;
/** Ada weighed 70.0 kg yesterday; today the scale said 97.0 kg, under the sender's identifier. */
beforeEach(async () => {
  desk = await openDesk();
  await desk.put('Patient', patient('ada'));
  await desk.put('Patient', patient('bo'));
  await desk.post(height('170.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
  await desk.post(weight('70.0', 'kg', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
  const answer = await desk.post(weight('97.0', 'kg', ID));
  expect(answer.verdict).toBe('held');
  held = idOf(answer);
});

const stateOf = async (id: string) => (await desk.store.read.readingOf(id))!;

describe('keep', () => {
  it('accepts the reading as its sender gave it, digits and status, with what the rules say as warnings', async () => {
    const answer = await decide(desk, held, { decision: 'keep' });
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted', observation: { id: held, version: 2 } });
    expect(answer.observation?.text).toContain('"value":97.0,');
    const tree = await desk.tree(held);
    expect([tree['status'], tags(tree)]).toEqual(['final', []]);
    expect(JSON.stringify(tree)).not.toContain(OURS.statusAsSentExtension);
    expect(rulesIn(answer)).toContain('weight-change-rate');
    expect(answer.outcome.issue.map(({ severity }) => severity)).not.toContain('error');
    const doubt = answer.outcome.issue.find(({ details }) => details?.coding?.[0]?.code === 'weight-change-rate');
    expect(doubt?.extension?.[0]).toMatchObject({ valueCode: 'warn' });
  });

  it('forwards it once, with its BMI', async () => {
    const before = await queued(desk);
    expect(before.join()).not.toContain(held);
    await decide(desk, held, { decision: 'keep' });
    expect((await queued(desk)).slice(before.length)).toEqual([
      `Observation/${held}/2`,
      `Provenance/prov-${held}-2/1`,
      `Observation/bmi-${held}/1`,
      `Provenance/prov-bmi-${held}-1/1`,
    ]);
    expect(await desk.standing()).toContainEqual(expect.objectContaining({ weightId: held, valueText: '33.6' }));
  });

  it('says in the Provenance who decided what, when and why', async () => {
    await decide(desk, held, { decision: 'keep' });
    expect(await toldBy(desk, held, 2)).toEqual({
      agents: [
        ['author', NURSE],
        ['assembler', expect.objectContaining({ display: 'Steelyard' })],
      ],
      reason: [{ text: REASON }],
      recorded: AT,
      verdict: 'accepted',
      decision: 'keep',
    });
    expect(await toldBy(desk, held, 1)).toMatchObject({
      agents: [['assembler', expect.anything()]],
      reason: undefined,
      decision: undefined,
    });
  });

  it.each([
    ['a name', 'Nell Invented', { display: 'Nell Invented' }],
    [
      'an identifier',
      { identifier: { system: 'urn:staff', value: 'N-1' }, display: 'N.' },
      { identifier: { system: 'urn:staff', value: 'N-1' }, display: 'N.' },
    ],
  ])('takes %s for whoever decided', async (_what, who, kept) => {
    await decide(desk, held, { decision: 'keep', who });
    expect(await toldBy(desk, held, 2)).toMatchObject({ agents: [['author', kept], expect.anything()] });
  });

  it('makes it what the next weight is compared with, and stays when an earlier one is withdrawn', async () => {
    await decide(desk, held, { decision: 'keep' });
    expect(await desk.post(weight('96.5', 'kg', at('09')))).toMatchObject({ status: 201 });
    const [, first] = await desk.readings();
    await desk.correct(first!.id, weight('70.0', 'kg', { effectiveDateTime: '2026-03-01T08:00:00Z', status: 'entered-in-error' }));
    expect(await stateOf(held)).toMatchObject({ held: false, kept: true, decided: { as: 'keep', at: AT } });
    await desk.put('Patient', patient('ada', '2021-05-17'));
    expect(await stateOf(held)).toMatchObject({ held: false, kept: true });
  });

  it('says that a late entry is old, which held it', async () => {
    const late = idOf(await desk.post(weight('70.0', 'kg', { effectiveDateTime: '2025-12-01T08:00:00Z' })));
    const answer = await decide(desk, late, { decision: 'keep' });
    expect([answer.verdict, rulesIn(answer)]).toEqual(['accepted', expect.arrayContaining(['time-old'])]);
    expect((await stateOf(late)).held).toBe(false);
  });

  it('releases the double press that waited with it', async () => {
    const other = await openDesk();
    const scale = { device: { reference: 'Device/s1' } };
    const first = idOf(await other.post(weight('1.5', 'kg', scale)));
    const second = idOf(await other.post(weight('1.5', 'kg', { ...scale, effectiveDateTime: '2026-03-02T08:00:20Z' })));
    await expect(decide(other, second, { decision: 'keep' })).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: expect.stringContaining(first) as string,
    });
    await decide(other, first, { decision: 'keep' });
    expect(await other.store.read.readingOf(second)).toMatchObject({ held: false, repeatOf: first });
  });

  it('lasts when the sender sends the same measurement again as a correction, and not when it sends another', async () => {
    await decide(desk, held, { decision: 'keep' });
    expect(await desk.correct(held, weight('97.0', 'kg', { ...ID, note: [{ text: 'invented' }] }))).toMatchObject({ status: 200 });
    expect(await stateOf(held)).toMatchObject({ held: false, kept: true });
    expect(await desk.correct(held, weight('107.0', 'kg', ID))).toMatchObject({ status: 202 });
    const again = await stateOf(held);
    expect(again.held).toBe(true);
    expect(again).not.toHaveProperty('decided');
    expect(await decide(desk, held, { decision: 'discard' })).toMatchObject({ status: 200 });
  });
});

describe('correct', () => {
  it('puts the new value in, digits and unit, and leaves the rest', async () => {
    const answer = await decide(desk, held, { decision: 'correct', value: kilograms('70.0') });
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted' });
    expect(answer.observation?.text).toContain('"value":70.0,');
    expect(await desk.tree(held)).toMatchObject({
      status: 'corrected',
      identifier: expect.arrayContaining(ID.identifier) as object,
      subject: { reference: 'Patient/ada' },
    });
    expect(await toldBy(desk, held, 2)).toMatchObject({ decision: 'correct', verdict: 'accepted', reason: [{ text: REASON }] });
    expect(await queued(desk)).toContain(`Observation/${held}/2`);
    expect(await desk.standing()).toContainEqual(expect.objectContaining({ weightId: held, valueText: '24.2', status: 'corrected' }));
  });

  it.each([
    ['off the step', '70.33', 'precision-step'],
    ['that nobody can weigh', '9700.0', 'value-impossible'],
    ['of zero', '0.0', 'value-zero'],
  ])('is refused with a value %s: nothing changes, and the refusal is kept', async (_what, digits, rule) => {
    const before = await desk.counts();
    const answer = await decide(desk, held, { decision: 'correct', value: kilograms(digits) });
    expect(answer).toMatchObject({ status: 422, verdict: 'refused' });
    expect(answer).not.toHaveProperty('observation');
    expect(rulesIn(answer)).toContain(rule);
    expect(await desk.counts()).toEqual({ ...before, refusals: before['refusals']! + 1 });
    expect(await stateOf(held)).toMatchObject({ held: true, version: 1 });
    expect(await decide(desk, held, { decision: 'correct', value: kilograms('70.0') })).toMatchObject({ status: 200 });
  });

  it('is refused with a value that a policy refuses among the others of the person', async () => {
    const strict = await openDesk({ policy: { ...policyWith({}), outcomes: { 'bmi-unusual': 'refuse' } } });
    await strict.put('Patient', patient('ada'));
    await strict.post(height('170.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const waiting = idOf(await strict.post(weight('300.0')));
    const answer = await decide(strict, waiting, { decision: 'correct', value: kilograms('35.0') });
    expect([answer.status, rulesIn(answer)]).toEqual([422, expect.arrayContaining(['bmi-unusual'])]);
  });

  it('warns when gross and tare no longer give the value', async () => {
    const part = (code: object, digits: string): JsonValue =>
      ({ code: { coding: [code] }, valueQuantity: kilograms(digits) }) as unknown as JsonValue;
    const loaded = { component: [part(QUALIFIER.gross, '117.0'), part(QUALIFIER.tare, '0.0')], ...at('09') };
    const id = idOf(await desk.post(weight('117.0', 'kg', loaded)));
    const answer = await decide(desk, id, { decision: 'correct', value: kilograms('70.0') });
    expect([answer.verdict, rulesIn(answer)]).toEqual(['accepted', expect.arrayContaining(['tare-arithmetic'])]);
    expect(answer.outcome.issue.map(({ severity }) => severity)).not.toContain('error');
  });
});

describe('wrong person', () => {
  const toBo: Asked = { decision: 'wrong-person', subject: BO };

  it('voids it here and judges it anew there, each linked to the other', async () => {
    const answer = await decide(desk, held, toBo);
    const moved = answer.moved!.id;
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted', observation: { id: held, version: 2 }, moved: { version: 1 } });
    expect(await desk.tree(held)).toMatchObject({
      status: 'entered-in-error',
      ...{ subject: { reference: 'Patient/ada' } },
      extension: expect.arrayContaining([{ url: OURS.movedToExtension, valueReference: { reference: `Observation/${moved}` } }]) as object,
    });
    const there = await desk.tree(moved);
    expect(there).toMatchObject({
      status: 'final',
      subject: BO,
      identifier: [{ system: OURS.observationIdentifier, value: moved }],
      extension: expect.arrayContaining([{ url: OURS.movedFromExtension, valueReference: { reference: `Observation/${held}` } }]) as object,
    });
    expect(answer.moved?.text).toContain('"value":97.0,');
    expect(await desk.tree(held)).toMatchObject({ identifier: expect.arrayContaining(ID.identifier) as object });
    expect(await toldBy(desk, held, 2)).toMatchObject({ decision: 'wrong-person', agents: [['author', NURSE], expect.anything()] });
    expect(await toldBy(desk, moved, 1)).toMatchObject({ decision: 'wrong-person', reason: [{ text: REASON }] });
    expect((await desk.store.read.current('Provenance', `prov-${moved}-1`))?.text).toContain(`"what":{"reference":"Observation/${held}"}`);
  });

  it('sends only what stands for the right person, with its BMI there', async () => {
    await desk.post(height('180.0', 'cm', { subject: BO, effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const before = await queued(desk);
    const moved = (await decide(desk, held, toBo)).moved!.id;
    expect((await queued(desk)).slice(before.length)).toEqual([
      `Observation/${moved}/1`,
      `Provenance/prov-${moved}-1/1`,
      `Observation/bmi-${moved}/1`,
      `Provenance/prov-bmi-${moved}-1/1`,
    ]);
    expect((await desk.standing('Patient/bo')).map(({ valueText }) => valueText)).toEqual(['29.9']);
    expect((await desk.standing()).map(({ weightId }) => weightId)).not.toContain(held);
  });

  it('tells the EHR of the withdrawal when it has the reading, and rejudges both persons', async () => {
    const bad = idOf(await desk.post(weight('71.0', 'kg', at('09'))));
    expect(await desk.standing()).toContainEqual(expect.objectContaining({ weightId: bad }));
    await desk.correct(bad, weight('107.0', 'kg', at('09')));
    expect((await stateOf(bad)).held).toBe(true);
    const before = await queued(desk);
    const moved = (await decide(desk, bad, toBo)).moved!.id;
    const sent = (await queued(desk)).slice(before.length);
    expect(sent).toContain(`Observation/${bad}/3`);
    expect(sent).toContain(`Observation/${moved}/1`);
    expect((await desk.standing()).map(({ weightId }) => weightId)).not.toContain(bad);
  });

  it('may leave it held there, to be decided on anew', async () => {
    await desk.post(weight('60.0', 'kg', { subject: BO, effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const answer = await decide(desk, held, toBo);
    expect(answer).toMatchObject({ status: 200, verdict: 'held' });
    const moved = answer.moved!.id;
    expect(await desk.tree(moved)).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG] } });
    expect(await queued(desk)).not.toContain(`Observation/${moved}/1`);
    expect(await decide(desk, moved, { decision: 'keep' })).toMatchObject({ status: 200, verdict: 'accepted' });
  });

  it('can be put back: a reading of its own again, and never the one that was voided', async () => {
    await desk.post(weight('60.0', 'kg', { subject: BO, effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const moved = (await decide(desk, held, toBo)).moved!.id;
    const back = await decide(desk, moved, { decision: 'wrong-person', subject: { reference: 'Patient/ada' } });
    expect(back.status).toBe(200);
    expect([held, moved]).not.toContain(back.moved?.id);
    expect(await desk.tree(back.moved!.id)).toMatchObject({ subject: { reference: 'Patient/ada' } });
  });

  it('leaves a resend of the original a resend', async () => {
    await decide(desk, held, toBo);
    const before = await desk.counts();
    expect(await desk.post(weight('97.0', 'kg', ID))).toMatchObject({ status: 200, resource: { id: held } });
    expect(await desk.counts()).toEqual(before);
  });

  it('takes nothing along that leads into the first chart', async () => {
    const tied = {
      ...at('09'),
      encounter: { reference: 'Encounter/of-ada' },
      basedOn: [{ reference: 'ServiceRequest/of-ada' }],
      focus: [{ reference: 'Patient/ada' }],
      performer: [{ reference: 'Patient/ada' }, { reference: 'Practitioner/nurse-invented' }],
      note: [{ text: 'with shoes' }],
    };
    const id = idOf(await desk.post(weight('107.0', 'kg', tied)));
    const there = await desk.tree((await decide(desk, id, toBo)).moved!.id);
    expect(JSON.stringify(there)).not.toMatch(/of-ada|Patient\/ada/);
    expect(there).toMatchObject({ performer: [{ reference: 'Practitioner/nurse-invented' }], note: [{ text: 'with shoes' }] });
  });

  it('is refused for a person of whom the rules refuse it, and then nothing changes', async () => {
    await desk.put('Patient', patient('newborn', '2026-03-02'));
    const before = await desk.counts();
    const answer = await decide(desk, held, { decision: 'wrong-person', subject: { reference: 'Patient/newborn' } });
    expect([answer.status, rulesIn(answer)]).toEqual([422, expect.arrayContaining(['value-impossible'])]);
    expect(await desk.counts()).toEqual({ ...before, refusals: before['refusals']! + 1 });
    expect(await stateOf(held)).toMatchObject({ held: true, version: 1 });
  });

  it.each([
    ['by reference', { reference: 'Patient/ada' }],
    ['by an identifier', { identifier: { system: 'urn:wristband', value: 'A-1' } }],
  ])('is no decision when it names the same person %s', async (_how, subject) => {
    await desk.put('Patient', { ...patient('ada'), identifier: [{ system: 'urn:wristband', value: 'A-1' }] } as never);
    await expect(decide(desk, held, { decision: 'wrong-person', subject })).rejects.toMatchObject({
      code: 'ERR_BAD_VALUE',
      expression: 'Parameters.parameter[3]',
    });
    expect((await stateOf(held)).held).toBe(true);
  });
});

describe('discard', () => {
  it('enters it in error with the reason; the EHR, which never had it, hears nothing', async () => {
    const before = await queued(desk);
    const answer = await decide(desk, held, { decision: 'discard' });
    expect(answer).toMatchObject({ status: 200, observation: { version: 2 } });
    const tree = await desk.tree(held);
    expect([tree['status'], tags(tree)]).toEqual(['entered-in-error', []]);
    expect(await queued(desk)).toEqual(before);
    expect(await toldBy(desk, held, 2)).toMatchObject({ decision: 'discard', reason: [{ text: REASON }], recorded: AT });
  });

  it('is final: its sender cannot bring the reading back to life', async () => {
    await decide(desk, held, { decision: 'discard' });
    await expect(desk.correct(held, weight('97.0', 'kg', ID))).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: `Somebody decided to discard it, at ${AT}. Send a new reading with POST.`,
    });
    expect(await desk.correct(held, weight('97.0', 'kg', { ...ID, status: 'entered-in-error' }))).toMatchObject({ status: 200 });
    await expect(desk.correct(held, weight('97.0', 'kg', ID))).rejects.toMatchObject({ code: 'ERR_CONFLICT' });
    expect(await desk.post(weight('97.0', 'kg', ID))).toMatchObject({ status: 200, resource: { id: held } });
  });
});

describe('weigh again', () => {
  it('leaves it waiting, marked, and unsent', async () => {
    const before = await queued(desk);
    const answer = await decide(desk, held, { decision: 'weigh-again' });
    expect(answer).toMatchObject({ status: 200, verdict: 'held', observation: { version: 2 } });
    expect(rulesIn(answer)).toEqual(['weigh-again-asked']);
    expect(await desk.tree(held)).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG, WEIGH_AGAIN_TAG] } });
    expect(await queued(desk)).toEqual(before);
    expect(await toldBy(desk, held, 2)).toMatchObject({
      decision: 'weigh-again',
      verdict: 'held',
      agents: [['author', NURSE], expect.anything()],
    });
  });

  it('does not release a late entry, whose age alone held it', async () => {
    const late = idOf(await desk.post(weight('70.0', 'kg', { effectiveDateTime: '2025-12-01T08:00:00Z' })));
    await decide(desk, late, { decision: 'weigh-again' });
    await desk.put('Patient', patient('ada', '1980-05-18'));
    expect((await stateOf(late)).held).toBe(true);
  });

  it('is asked for once; a final decision is still possible', async () => {
    await decide(desk, held, { decision: 'weigh-again' });
    await expect(decide(desk, held, { decision: 'weigh-again' })).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: `A second weighing was asked for already, at ${AT}. Weigh the person again, or decide finally.`,
    });
    await decide(desk, held, { decision: 'keep' });
    expect(tags(await desk.tree(held))).toEqual([]);
  });

  it('loses its mark when the second weighing agrees, which is then what released it', async () => {
    await decide(desk, held, { decision: 'weigh-again' });
    const second = idOf(await desk.post(weight('97.1', 'kg', at('09'))));
    expect([await stateOf(held), tags(await desk.tree(held))]).toMatchObject([{ held: false, releasedBy: second }, []]);
    await expect(decide(desk, held, { decision: 'discard' })).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: expect.stringMatching(
        new RegExp(`^A second weighing, Observation/${second}, released it; that was stored at 2026-03-02T`),
      ) as string,
    });
  });
});

describe('no decision', () => {
  it.each([
    ['keep', {}, 'to keep it'],
    ['correct', { value: kilograms('70.0') }, 'to correct its value'],
    ['wrong-person', { subject: BO }, 'that it belongs to another person'],
    ['discard', {}, 'to discard it'],
  ])('is made after %s, and the sentence names no person', async (decision, more, done) => {
    await decide(desk, held, { decision, ...more });
    const before = await desk.counts();
    await expect(decide(desk, held, { decision: 'keep' })).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: `Somebody decided ${done}, at ${AT}. A decision is made once; correct the reading with PUT and If-Match.`,
    });
    expect(await desk.counts()).toEqual(before);
  });

  it('is made on what is not held', async () => {
    const good = idOf(await desk.post(weight('70.2', 'kg', at('09'))));
    await expect(decide(desk, good, { decision: 'keep' })).rejects.toMatchObject({
      message: expect.stringMatching(/^It is not held/) as string,
    });
    await desk.correct(good, weight('70.2', 'kg', { ...at('09'), status: 'entered-in-error' }));
    await expect(decide(desk, good, { decision: 'keep' })).rejects.toMatchObject({
      message: expect.stringMatching(/^Its sender withdrew it/) as string,
    });
    const [bmi] = await desk.standing();
    await expect(decide(desk, bmi!.id, { decision: 'keep' })).rejects.toMatchObject({ code: 'ERR_CONFLICT' });
    await expect(decide(desk, 'no-such', { decision: 'keep' })).rejects.toMatchObject({ code: 'ERR_NOT_FOUND' });
  });

  it('is made on another version than the one that was looked at', async () => {
    await decide(desk, held, { decision: 'weigh-again' }, 1);
    await expect(decide(desk, held, { decision: 'keep' }, 1)).rejects.toMatchObject({ code: 'ERR_VERSION_CONFLICT' });
    expect(await decide(desk, held, { decision: 'keep' }, 2)).toMatchObject({ status: 200 });
  });

  const LONG = 'x'.repeat(501);
  const BAD: readonly (readonly [string, Asked, string])[] = [
    ['without a decision', { decision: undefined as never }, 'Parameters.parameter'],
    ['of an unknown kind', { decision: 'shred' }, 'Parameters.parameter[0]'],
    ['without who', { decision: 'keep', who: undefined as never }, 'Parameters.parameter'],
    ['without the reason', { decision: 'discard', reason: undefined as never }, 'Parameters.parameter'],
    ['with an empty reason', { decision: 'keep', reason: ' ' }, 'Parameters.parameter[1]'],
    ['with a reason of 501 characters', { decision: 'keep', reason: LONG }, 'Parameters.parameter[1]'],
    ['by a name of 201 characters', { decision: 'keep', who: LONG.slice(0, 201) }, 'Parameters.parameter[2]'],
    [
      'by a reference of 201 characters',
      { decision: 'keep', who: { display: LONG.slice(0, 201), reference: 'Practitioner/n' } },
      'Parameters.parameter[2]',
    ],
    ['by a reference to a ward', { decision: 'keep', who: { reference: 'Location/ward' } }, 'Parameters.parameter[2]'],
    ['by a display in a reference', { decision: 'keep', who: { display: 'N.' } }, 'Parameters.parameter[2]'],
    ['to correct without a value', { decision: 'correct' }, 'Parameters.parameter'],
    ['to keep with a value', { decision: 'keep', value: kilograms('70.0') }, 'Parameters.parameter[3]'],
    ['to move to nobody', { decision: 'wrong-person' }, 'Parameters.parameter'],
    ['to move to a name', { decision: 'wrong-person', subject: { display: 'Bo Invented' } }, 'Parameters.parameter[3]'],
    ['to move to a device', { decision: 'wrong-person', subject: { reference: 'Device/s1' } }, 'Parameters.parameter[3]'],
    [
      'with a value that is no FHIR',
      { decision: 'correct', value: { value: 'heavy' } },
      'Parameters.parameter[3].value.ofType(Quantity).value',
    ],
  ];
  it.each(BAD)('is made %s', async (_what, asked, expression) => {
    const before = await desk.counts();
    const error = await decide(desk, held, asked).catch((thrown: unknown) => thrown);
    expect(error).toMatchObject({ row: { status: 400 }, expression });
    expect((error as Error).message).not.toMatch(/x{20}|Bo Invented|heavy/);
    expect(await desk.counts()).toEqual(before);
  });

  it.each([
    [
      'a parameter twice',
      [
        { name: 'decision', valueCode: 'keep' },
        { name: 'decision', valueCode: 'discard' },
      ],
      'Parameters.parameter[1]',
    ],
    ['a parameter that nobody knows', [{ name: 'force', valueBoolean: true }], 'Parameters.parameter[0]'],
    ['a text for a code', [{ name: 'decision', valueString: 'keep' }], 'Parameters.parameter[0]'],
  ])('is made of %s', async (_what, parameter, expression) => {
    const asked = { resourceType: 'Parameters', parameter } as unknown as JsonValue;
    await expect(desk.intake.decide(held, asked, '')).rejects.toMatchObject({ row: { status: 400 }, expression });
    const { resourceType: _type, ...rest } = asked as object & { resourceType: string };
    await expect(desk.intake.decide(held, rest as JsonValue, '')).rejects.toMatchObject({ row: { status: 400 }, expression: 'Parameters' });
  });
});

describe('an echo of our marks', () => {
  it('says nothing: a sender can neither move nor mark a reading', async () => {
    const marks = {
      ...at('09'),
      meta: { tag: [WEIGH_AGAIN_TAG as unknown as JsonValue] },
      extension: [
        { url: OURS.movedFromExtension, valueReference: { reference: 'Observation/other' } },
        { url: OURS.movedToExtension, valueReference: { reference: 'Observation/other' } },
      ],
    };
    const tree = await desk.tree(idOf(await desk.post(weight('70.1', 'kg', marks))));
    expect(tags(tree)).toEqual([]);
    expect(JSON.stringify(tree)).not.toContain('moved-');
  });

  it('in a correction that began with a GET leaves the facts as they are', async () => {
    const moved = (await decide(desk, held, { decision: 'wrong-person', subject: BO })).moved!.id;
    const { id: _id, ...read } = await desk.tree(moved);
    await desk.correct(moved, { ...read, note: [{ text: 'invented' }] });
    const { extension } = (await desk.tree(moved)) as unknown as { extension: { url: string }[] };
    expect(extension.filter(({ url }) => url === OURS.movedFromExtension)).toEqual([
      { url: OURS.movedFromExtension, valueReference: { reference: `Observation/${held}` } },
    ]);
  });
});

describe('two decisions at once', () => {
  it('are one decision and one conflict', async () => {
    const settled = await Promise.allSettled([decide(desk, held, { decision: 'keep' }), decide(desk, held, { decision: 'discard' })]);
    expect(settled.map(({ status }) => status)).toEqual(['fulfilled', 'rejected']);
    expect(settled[1]).toMatchObject({ reason: { code: 'ERR_CONFLICT' } });
    expect(await stateOf(held)).toMatchObject({ version: 2, decided: { as: 'keep' } });
  });
});

describe('a value in pounds', () => {
  it('is taken as it is written', async () => {
    const pounds = { value: exactNumber('154.50'), unit: 'lb', system: SYSTEM.ucum, code: '[lb_av]' };
    const answer = await decide(desk, held, { decision: 'correct', value: pounds });
    expect(answer.observation?.text).toContain('"value":154.50,"unit":"lb"');
  });
});
