/** Readings that arrive without a person: held for their place, claimed within a time, or refused. */
import { beforeEach, describe, expect, it } from 'vitest';
import { HELD_TAG, OURS, R4_PROFILE, UNASSIGNED_TAG } from '../../src/core/terminology.ts';
import { judgeAnew } from '../../src/ingest/registry.ts';
import { bmi, CLOCK, height, NOW, policyWith, weight, type Changes } from '../measurements.ts';
import { claim, decide, NURSE, queued, toldBy } from './decisions-asked.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const AT = new Date(NOW).toISOString();
const POLICY = policyWith({ 'unassigned.accept': true });
const SCALE = { device: { reference: 'Device/s1' } };
/** The clock of the desk says 10:00, and 30 minutes are allowed. */
const NOBODYS: Changes = { subject: undefined, effectiveDateTime: '2026-03-02T09:40:00Z', ...SCALE };
const ADA = { reference: 'Patient/ada' };
const WARD = 'unassigned:Location/ward-invented';

let desk: Desk;
beforeEach(async () => {
  desk = await openDesk({ policy: POLICY });
  await desk.put('Device', { resourceType: 'Device', id: 's1', location: { reference: 'Location/ward-invented' } } as never);
  await desk.put('Patient', {
    resourceType: 'Patient',
    id: 'ada',
    birthDate: '1980-05-17',
    identifier: [{ system: 'urn:wristband', value: 'A-1' }],
  } as never);
});

const post = (digits = '70.0', changes: Changes = {}) => desk.post(weight(digits, 'kg', { ...NOBODYS, ...changes }));
const stateOf = async (id: string) => (await desk.store.read.readingOf(id))!;
const conflict = (message: RegExp) => ({ code: 'ERR_CONFLICT', message: expect.stringMatching(message) as string });

describe('by default', () => {
  it('a reading that names nobody is refused', async () => {
    const answer = await (await openDesk()).post(weight('70.0', 'kg', NOBODYS));
    expect([answer.status, rulesIn(answer)]).toEqual([422, expect.arrayContaining(['subject-missing'])]);
  });
});

describe('where the policy takes them in, a reading that names nobody', () => {
  it('is held for the place of its scale, with tags and no profile that wants a subject', async () => {
    const answer = await post('70.50');
    expect(answer).toMatchObject({ status: 202, verdict: 'held' });
    expect(rulesIn(answer)).toContain('subject-unassigned');
    expect(rulesIn(answer)).not.toContain('person-unknown');
    expect(answer.resource?.text).toContain('"value":70.50,');
    const tree = await desk.tree(idOf(answer));
    expect(tree).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG, UNASSIGNED_TAG] } });
    expect(tree).not.toHaveProperty('subject');
    expect(tree['meta'] as object).not.toHaveProperty('profile');
    expect((await stateOf(idOf(answer))).person).toBe(WARD);
    expect(await queued(desk)).toEqual([]);
  });

  it.each([
    ['the scale itself, where its place is not known', { device: { reference: 'Device/s9' } }, 'unassigned:Device/s9'],
    ['nowhere, where no scale is named', { device: undefined }, 'unassigned:nowhere'],
  ] as const)('is held for %s', async (_what, changes, person) => {
    expect((await stateOf(idOf(await post('70.0', changes)))).person).toBe(person);
  });

  it('is found by its tag, and by no search that names no tag', async () => {
    const id = idOf(await post());
    const found = async (search: object) =>
      (await desk.store.read.searchObservations({ sort: [], count: 10, includeHeld: false, ...search })).resources.map((one) => one.id);
    expect(await found({ includeHeld: true, tags: [{ system: UNASSIGNED_TAG.system, value: 'unassigned' }] })).toEqual([id]);
    expect(await found({})).toEqual([]);
  });

  it.each([
    ['is a BMI', () => bmi('24.2', NOBODYS), 'subject-missing'],
    [
      'says the day only, so that there is no time to claim it in',
      () => weight('70.0', 'kg', { ...NOBODYS, effectiveDateTime: '2026-03-02' }),
      'subject-missing',
    ],
    [
      'names somebody by a name alone',
      () => weight('70.0', 'kg', { ...NOBODYS, subject: { display: 'Ada Invented' } }),
      'subject-display-only',
    ],
  ])('is refused when it %s', async (_what, observation, rule) => {
    const answer = await desk.post(observation());
    expect([answer.status, rulesIn(answer)]).toEqual([422, expect.arrayContaining([rule])]);
  });

  it('is nothing to another one at the same place: neither pressed twice nor a second weighing, also judged again', async () => {
    const first = idOf(await post('70.0'));
    const second = idOf(await post('70.0', { effectiveDateTime: '2026-03-02T09:40:20Z' }));
    const third = idOf(await post('70.1', { effectiveDateTime: '2026-03-02T09:45:00Z' }));
    await desk.post(height('170.0', 'cm', { ...NOBODYS, effectiveDateTime: '2026-03-02T09:46:00Z' }));
    await desk.store.write((writer) => judgeAnew(writer, WARD, { clock: CLOCK, policy: POLICY, knownBases: [], forwards: true }));
    for (const id of [first, second, third]) {
      expect(await stateOf(id)).toMatchObject({ held: true, version: 1 });
      expect(await stateOf(id)).not.toHaveProperty('repeatOf');
    }
    expect(await desk.standing(WARD)).toEqual([]);
    expect(await queued(desk)).toEqual([]);
  });

  it('that is sent again is still one, also when its scale has moved', async () => {
    const id = idOf(await post());
    expect(await post()).toMatchObject({ status: 200, resource: { id } });
    await desk.put('Device', { resourceType: 'Device', id: 's1', location: { reference: 'Location/elsewhere' } } as never);
    expect(await post()).toMatchObject({ status: 200, resource: { id } });
    expect(await desk.counts()).toMatchObject({ observations: 1 });
  });

  it('can be discarded or weighed again, but neither kept, corrected nor moved', async () => {
    const id = idOf(await post());
    for (const asked of [{ decision: 'keep' }, { decision: 'wrong-person', subject: ADA }] as const)
      await expect(decide(desk, id, asked)).rejects.toMatchObject(conflict(/^Nobody knows yet whose reading it is\. Claim it/));
    expect(await decide(desk, id, { decision: 'weigh-again' })).toMatchObject({ status: 200, verdict: 'held' });
    expect(await decide(desk, id, { decision: 'discard' })).toMatchObject({ status: 200 });
    expect(await desk.tree(id)).toMatchObject({ status: 'entered-in-error' });
    await expect(claim(desk, id)).rejects.toMatchObject(conflict(/^It was withdrawn or discarded/));
    expect(await queued(desk)).toEqual([]);
  });
});

describe('a claim', () => {
  it.each([
    ['a reference', ADA],
    ['the identifier of the wristband', { identifier: { system: 'urn:wristband', value: 'A-1' } }],
  ])('by %s makes it a reading of that person, forwarded with its BMI', async (_how, subject) => {
    await desk.post(height('170.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const before = await queued(desk);
    const id = idOf(await post('70.0'));
    const answer = await claim(desk, id, subject);
    expect(answer).toMatchObject({ status: 200, verdict: 'accepted', observation: { id, version: 2 } });
    expect(answer.observation?.text).toContain('"value":70.0,');
    const tree = await desk.tree(id);
    expect(tree).toMatchObject({ status: 'final', subject, meta: { profile: [OURS.bodyWeightProfile] } });
    expect(JSON.stringify(tree)).not.toMatch(/"unassigned"|"held"|status-as-sent/);
    expect(await stateOf(id)).toMatchObject({ person: 'Patient/ada', held: false, claimedAt: AT });
    expect((await queued(desk)).slice(before.length)).toEqual([
      `Observation/${id}/2`,
      `Provenance/prov-${id}-2/1`,
      `Observation/bmi-${id}/1`,
      `Provenance/prov-bmi-${id}-1/1`,
    ]);
    expect(await toldBy(desk, id, 2)).toMatchObject({
      agents: [['author', NURSE], expect.anything()],
      decision: 'claim',
      recorded: AT,
      reason: [{ text: "The person's identifier was scanned." }],
    });
  });

  it('may find it doubtful for that person, and then it is held and can be decided on', async () => {
    await desk.post(weight('70.0', 'kg', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const id = idOf(await post('97.0'));
    const answer = await claim(desk, id);
    expect(answer).toMatchObject({ status: 200, verdict: 'held' });
    expect(rulesIn(answer)).not.toContain('subject-unassigned');
    expect(await desk.tree(id)).toMatchObject({ status: 'preliminary', meta: { tag: [HELD_TAG] } });
    expect(await decide(desk, id, { decision: 'keep' })).toMatchObject({ status: 200, verdict: 'accepted' });
    expect(await desk.tree(id)).toMatchObject({ status: 'final' });
  });

  it('of a person of whom the rules refuse it changes nothing: the right one can still be scanned', async () => {
    await desk.put('Patient', { resourceType: 'Patient', id: 'newborn', birthDate: '2026-03-01' } as never);
    const id = idOf(await post('70.0'));
    const refused = await claim(desk, id, { reference: 'Patient/newborn' });
    expect([refused.status, rulesIn(refused)]).toEqual([422, expect.arrayContaining(['value-impossible'])]);
    expect(await desk.counts()).toMatchObject({ refusals: 1 });
    expect(await claim(desk, id)).toMatchObject({ status: 200, verdict: 'accepted' });
  });

  it('releases what it confirms for that person, as any second weighing', async () => {
    await desk.post(weight('70.0', 'kg', { effectiveDateTime: '2026-03-01T08:00:00Z' }));
    const waiting = idOf(await desk.post(weight('97.0', 'kg', { ...SCALE, effectiveDateTime: '2026-03-02T09:30:00Z' })));
    const id = idOf(await post('97.1'));
    expect((await stateOf(waiting)).held).toBe(true);
    expect(await claim(desk, id)).toMatchObject({ verdict: 'accepted' });
    expect(await stateOf(waiting)).toMatchObject({ held: false, releasedBy: id });
  });

  it('is made once', async () => {
    const id = idOf(await post());
    const settled = await Promise.allSettled([claim(desk, id), claim(desk, id, { reference: 'Patient/bo' })]);
    expect(settled.map(({ status }) => status)).toEqual(['fulfilled', 'rejected']);
    expect(settled[1]).toMatchObject({ reason: conflict(new RegExp(`^It was claimed already, at ${AT}`)) });
  });

  it.each([
    ['30 minutes after measuring', '2026-03-02T09:30:00Z', true],
    ['a second later', '2026-03-02T09:29:59Z', false],
  ])('is possible until %s: %s is claimed: %s', async (_what, effectiveDateTime, isPossible) => {
    const id = idOf(await post('70.0', { effectiveDateTime }));
    if (isPossible) expect(await claim(desk, id)).toMatchObject({ status: 200 });
    else await expect(claim(desk, id)).rejects.toMatchObject(conflict(/^The 30 minutes .* are over\. Weigh the person again\.$/));
    expect((await stateOf(id)).held).toBe(!isPossible);
  });

  it('of what named its person is none, nor of what is not stored, nor of another version', async () => {
    const named = idOf(await desk.post(weight('70.0')));
    await expect(claim(desk, named)).rejects.toMatchObject(conflict(/^It named its person/));
    await expect(claim(desk, 'no-such')).rejects.toMatchObject({ code: 'ERR_NOT_FOUND' });
    await expect(claim(desk, idOf(await post('71.0')), ADA, 2)).rejects.toMatchObject({ code: 'ERR_VERSION_CONFLICT' });
  });

  it('leaves a resend a resend, with and without the person', async () => {
    const ID = { identifier: [{ system: 'urn:gateway', value: 'R-1' }] };
    const id = idOf(await post('70.0', ID));
    await claim(desk, id);
    const before = await desk.counts();
    expect(await post('70.0', ID)).toMatchObject({ status: 200, resource: { id, version: 2 } });
    expect(await post('70.0')).toMatchObject({ status: 200, resource: { id } });
    expect(await post('70.0', { subject: ADA })).toMatchObject({ status: 200, resource: { id } });
    expect(await desk.counts()).toEqual(before);
  });
});

describe("a claim where R4's own profile is claimed", () => {
  it('claims it from then on', async () => {
    const strict = await openDesk({ policy: policyWith({ 'unassigned.accept': true, 'qualifiers.shape': 'extension' }) });
    const id = idOf(await strict.post(weight('70.0', 'kg', NOBODYS)));
    expect(await strict.tree(id)).not.toHaveProperty('meta.profile');
    await claim(strict, id);
    expect(await strict.tree(id)).toMatchObject({ meta: { profile: [R4_PROFILE.weight, OURS.bodyWeightProfile] } });
  });
});
