/** What becomes of a decision that is taken back: on the real use case and the real store. */
import { beforeEach, describe, expect, it } from 'vitest';
import { toInstant } from '../../src/core/fhir-time.ts';
import type { JsonObject } from '../../src/core/json.ts';
import { undoState } from '../../src/ingest/undo.ts';
import type { KeptStore, OutboxItem } from '../../src/ports.ts';
import { parsed } from '../arrived.ts';
import { NOW, policyWith, weight, height } from '../measurements.ts';
import { decide, kilograms, NURSE, queued, toldBy, undo, type Asked } from './decisions-asked.ts';
import { idOf, openDesk, rulesIn, type Desk } from './desk.ts';

const BO = { reference: 'Patient/bo' };
const patient = (id: string): { readonly id: string } => ({ resourceType: 'Patient', id, birthDate: '1980-05-17' }) as { id: string };
const YESTERDAY = { effectiveDateTime: '2026-03-01T08:00:00Z' };
const SECOND = 1_000;
const MINUTE = 60_000;

let nowMs: number;
const clock = { nowMs: () => nowMs };
const pass = (ms: number): void => void (nowMs += ms);

let desk: Desk;
let first: string;
let held: string;

/** Ada weighed 70.0 kg yesterday; today the scale said 97.0 kg. The EHR has what came before. */
async function open(options: Parameters<typeof openDesk>[0] = {}): Promise<void> {
  nowMs = Date.parse(NOW);
  desk = await openDesk({ clock, ...options });
  await desk.put('Patient', patient('ada'));
  await desk.put('Patient', patient('bo'));
  await desk.post(height('170.0', 'cm', YESTERDAY));
  first = idOf(await desk.post(weight('70.0', 'kg', YESTERDAY)));
  await drain();
  held = idOf(await desk.post(weight('97.0', 'kg')));
}
beforeEach(() => open());

/** Everything that is due goes to the EHR. */
async function drain(): Promise<OutboxItem[]> {
  const gone: OutboxItem[] = [];
  for (;;) {
    const items = await desk.store.outbox.claim(nowMs, MINUTE, 10);
    if (items.length === 0) return gone;
    for (const item of items) await send(item);
    gone.push(...items);
  }
}

async function send({ number, resources }: OutboxItem): Promise<void> {
  const copies = resources.map(({ type, id, version }) => ({ type, id, version, reference: `${type}/at-ehr-${id}` }));
  await desk.store.outbox.markSent(number, copies);
}

const readingOf = async (id: string) => (await desk.store.read.readingOf(id))!;
const waiting = async (): Promise<string[]> =>
  (await desk.outbox())
    .filter(({ state }) => state === 'waiting')
    .flatMap(({ resources }) => resources.map(({ type, id, version }) => `${type}/${id}/${version}`));

/** What is served of a version, but for what says which version it is. */
async function contentOf(id: string, version?: number): Promise<JsonObject> {
  const stored =
    version === undefined ? await desk.store.read.current('Observation', id) : await desk.store.read.version('Observation', id, version);
  const { meta, ...rest } = parsed(stored!.text);
  const { versionId: _version, lastUpdated: _updated, ...marks } = meta as JsonObject;
  return { ...rest, meta: marks };
}

const DECISIONS: readonly (readonly [string, Asked])[] = [
  ['keep', { decision: 'keep' }],
  ['correct', { decision: 'correct', value: kilograms('70.5') }],
  ['discard', { decision: 'discard' }],
  ['wrong-person', { decision: 'wrong-person', subject: BO }],
  ['weigh-again', { decision: 'weigh-again' }],
];

describe.each(DECISIONS)('undo of %s', (code, asked) => {
  it('leaves the reading, the persons and the outbox as if it had never been made', async () => {
    const [before, ada, bo, queue] = [await readingOf(held), await desk.standing(), await desk.readings('Patient/bo'), await waiting()];
    await decide(desk, held, asked);
    pass(3 * SECOND);
    const answer = await undo(desk, held);
    expect(answer).toMatchObject({ status: 200, verdict: 'held', observation: { id: held, version: 3 } });
    expect(rulesIn(answer)).toContain('decision-undone');
    expect(await contentOf(held)).toEqual(await contentOf(held, 1));
    expect(await readingOf(held)).toEqual({ ...before, version: 3, undone: toInstant(nowMs) });
    expect(await desk.standing()).toEqual(ada);
    expect((await desk.readings('Patient/bo')).filter(({ status }) => status !== 'entered-in-error')).toEqual(bo);
    expect(await waiting()).toEqual(queue);
  });

  it('keeps every version, and says who took what back', async () => {
    await decide(desk, held, asked);
    await undo(desk, held, { reason: 'The wrong row.' });
    expect((await desk.store.read.history('Observation', held)).map(({ version }) => version)).toEqual([3, 2, 1]);
    expect(await toldBy(desk, held, 3)).toMatchObject({
      agents: [['author', NURSE], expect.anything()],
      reason: [{ text: 'The wrong row.' }],
      verdict: 'held',
      decision: 'undo',
    });
    const provenance = (await desk.store.read.current('Provenance', `prov-${held}-3`))!.text;
    expect(provenance).toContain(`{"url":"takesBack","valueReference":{"reference":"Observation/${held}/_history/2"}}`);
    expect(provenance).toContain('"valueCode":"weight-change-rate"');
  });

  it('is there once: a second one is a conflict, and a decision can be made anew', async () => {
    await decide(desk, held, asked);
    await undo(desk, held);
    await expect(undo(desk, held)).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: expect.stringMatching(/^Its last decision was taken back already, at .* Decide anew\.$/) as string,
    });
    expect(await decide(desk, held, { decision: 'keep' })).toMatchObject({ status: 200, verdict: 'accepted' });
    expect(await waiting()).toContain(`Observation/${held}/4`);
    expect(await undo(desk, held)).toMatchObject({ status: 200, verdict: 'held' });
  });

  it('is there for five minutes', async () => {
    await open({ forwards: false });
    await decide(desk, held, asked);
    pass(5 * MINUTE);
    expect(await undo(desk, held)).toMatchObject({ status: 200 });
    await decide(desk, held, asked);
    pass(5 * MINUTE + 1);
    await expect(undo(desk, held)).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: expect.stringContaining('the 5 minutes in which that can be taken back are over') as string,
    });
  });

  it('is not there once the sender has sent the reading in another form', async () => {
    await decide(desk, held, asked);
    const status = ['discard', 'wrong-person'].includes(code) ? 'entered-in-error' : 'final';
    await desk.correct(held, weight('97.0', 'kg', { status, note: [{ text: 'invented' }] }));
    await expect(undo(desk, held)).rejects.toMatchObject({ code: 'ERR_CONFLICT' });
  });
});

describe('what was never decided', () => {
  it('has nothing to take back', async () => {
    await expect(undo(desk, held)).rejects.toMatchObject({
      code: 'ERR_CONFLICT',
      message: expect.stringContaining('Nobody has decided') as string,
    });
    await expect(undo(desk, first)).rejects.toMatchObject({ code: 'ERR_CONFLICT' });
    await expect(undo(desk, 'r99999')).rejects.toMatchObject({ code: 'ERR_NOT_FOUND' });
  });

  it('neither has a version that is not the current one', async () => {
    await decide(desk, held, { decision: 'keep' });
    await expect(undo(desk, held, {}, 1)).rejects.toMatchObject({ code: 'ERR_VERSION_CONFLICT' });
    expect(await undo(desk, held, {}, 2)).toMatchObject({ status: 200 });
  });
});

describe('on the way to the EHR', () => {
  it('a decision waits ten seconds, and what comes for the person later waits behind it', async () => {
    await decide(desk, held, { decision: 'keep' });
    const later = idOf(await desk.post(weight('96.5', 'kg', { effectiveDateTime: toInstant(nowMs - MINUTE) })));
    const other = idOf(await desk.post(weight('60.0', 'kg', { subject: BO })));
    expect((await drain()).flatMap(({ resources }) => resources.map(({ id }) => id))).toContain(other);
    pass(10 * SECOND - 1);
    expect(await drain()).toEqual([]);
    pass(1);
    const gone = (await drain()).map(({ resources }) => resources[0]?.id);
    expect(gone).toEqual([held, later]);
  });

  it('as long as the policy says', async () => {
    await open({ policy: policyWith({ 'decision.sendAfterSeconds': 0 }) });
    await decide(desk, held, { decision: 'keep' });
    expect(await drain()).toHaveLength(1);
    await open({ policy: policyWith({ 'decision.sendAfterSeconds': 300 }) });
    await decide(desk, held, { decision: 'keep' });
    pass(299 * SECOND);
    expect(await drain()).toEqual([]);
    pass(SECOND);
    expect(await drain()).toHaveLength(1);
  });

  it('waits no longer than that on a clock that was set back', async () => {
    await decide(desk, held, { decision: 'keep' });
    pass(-10 * MINUTE);
    expect(await drain()).toHaveLength(1);
  });

  it('once a worker has it, undo is a conflict and changes nothing', async () => {
    await decide(desk, held, { decision: 'keep' });
    pass(10 * SECOND);
    const [item] = await desk.store.outbox.claim(nowMs, MINUTE, 1);
    const before = await desk.counts();
    const gone = { code: 'ERR_CONFLICT', message: expect.stringContaining('has gone to the EHR or is being sent just now') as string };
    await expect(undo(desk, held)).rejects.toMatchObject(gone);
    await desk.store.outbox.postpone(item!.number, nowMs + MINUTE, 'the EHR did not answer');
    await expect(undo(desk, held)).rejects.toMatchObject(gone);
    await send(item!);
    await expect(undo(desk, held)).rejects.toMatchObject(gone);
    expect(await desk.counts()).toEqual(before);
    expect(await readingOf(held)).toMatchObject({ held: false, version: 2 });
  });

  it('what rested on it is sent as it stands now, and what never left is neither corrected nor withdrawn there', async () => {
    await decide(desk, held, { decision: 'keep' });
    // compared with what was kept, this one is accepted; without it, it waits
    const follower = idOf(
      await desk.post(weight('96.0', 'kg', { effectiveDateTime: toInstant(nowMs - MINUTE), device: { reference: 'Device/s1' } })),
    );
    expect((await readingOf(follower)).held).toBe(false);
    pass(3 * SECOND);
    const before = await queued(desk);
    expect(before).toContain(`Observation/bmi-${held}/1`);
    await undo(desk, held);
    expect((await readingOf(held)).releasedBy === follower || (await readingOf(follower)).held).toBe(true);
    const sent = (await drain()).flatMap(({ resources }) => resources.map(({ id, version }) => `${id}/${version}`));
    for (const line of sent) {
      const [id = '', version = '0'] = line.split('/');
      const tree = parsed(((await desk.store.read.version('Observation', id, Number(version))) ?? { text: '{"status":"final"}' }).text);
      expect(tree['status'], line).not.toBe('preliminary');
      expect(tree['status'], line).not.toBe('entered-in-error');
    }
  });

  it('a reading that was only waiting behind it goes in the version that it has', async () => {
    await decide(desk, held, { decision: 'discard' });
    const other = idOf(await desk.post(height('170.5', 'cm', { effectiveDateTime: toInstant(nowMs - MINUTE) })));
    await decide(desk, held, { decision: 'keep' }).catch(() => undefined);
    await undo(desk, held);
    expect((await drain()).flatMap(({ resources }) => resources.map(({ id }) => id))).toContain(other);
    expect(await readingOf(held)).toMatchObject({ held: true });
  });

  it('is told of a later withdrawal only when it has the reading', async () => {
    await decide(desk, held, { decision: 'keep' });
    await undo(desk, held);
    await drain();
    await desk.correct(held, weight('97.0', 'kg', { status: 'entered-in-error' }));
    expect(await waiting()).toEqual([]);
    // as long as the store is kept, whatever is cleared away
    await open();
    await decide(desk, held, { decision: 'keep' });
    await undo(desk, held);
    const kept = desk.store as KeptStore;
    await kept.retention.removeSettledItems('2030-01-01T00:00:00Z', { limit: 1000, dryRun: false });
    await desk.correct(held, weight('97.0', 'kg', { status: 'entered-in-error' }));
    expect(await waiting()).toEqual([]);
  });

  it('says in the audit which items were not sent', async () => {
    await decide(desk, held, { decision: 'keep' });
    await undo(desk, held);
    const { events } = await desk.store.audit.search({ count: 1 });
    expect(events[0]?.text).toContain('"code":"undo"');
    expect(events[0]?.text).toContain('item not sent');
  });
});

describe('undo of wrong-person', () => {
  const toBo: Asked = { decision: 'wrong-person', subject: BO };

  it('voids what was made for the other person, whose readings are judged without it', async () => {
    const moved = (await decide(desk, held, toBo)).moved!.id;
    const answer = await undo(desk, held);
    expect(answer).toMatchObject({ moved: { id: moved, version: 2 } });
    expect(await desk.tree(moved)).toMatchObject({ status: 'entered-in-error' });
    expect(await toldBy(desk, moved, 2)).toMatchObject({ decision: 'undo' });
    expect(await desk.standing('Patient/bo')).toEqual([]);
    expect(await drain()).toEqual([]);
    await expect(undo(desk, moved)).rejects.toMatchObject({ code: 'ERR_CONFLICT' });
  });

  it('leaves alone what the right person had before', async () => {
    const had = idOf(await desk.post(weight('97.0', 'kg', { subject: BO })));
    const [before, standing] = [await contentOf(had), await desk.standing('Patient/bo')];
    expect((await decide(desk, held, toBo)).moved!.id).toBe(had);
    const answer = await undo(desk, held);
    expect(answer).toMatchObject({ status: 200, verdict: 'held' });
    expect(answer).not.toHaveProperty('moved');
    expect([await contentOf(had), await desk.standing('Patient/bo')]).toEqual([before, standing]);
  });

  it('can be decided again for the same person, and what that person is weighed is no resend of what is void', async () => {
    const moved = (await decide(desk, held, toBo)).moved!.id;
    await undo(desk, held);
    expect(await desk.post(weight('97.0', 'kg', { subject: BO }))).toMatchObject({ status: 201 });
    const again = (await decide(desk, held, toBo)).moved!.id;
    expect(again).not.toBe(moved);
  });

  it('is refused at the right person, when that one was decided on, and when the EHR has it', async () => {
    await desk.post(weight('60.0', 'kg', { subject: BO, ...YESTERDAY }));
    const moved = (await decide(desk, held, toBo)).moved!.id;
    await expect(undo(desk, moved)).rejects.toMatchObject({
      message: expect.stringContaining(`moved here from Observation/${held}`) as string,
    });
    await decide(desk, moved, { decision: 'keep' });
    await expect(undo(desk, held)).rejects.toMatchObject({ message: expect.stringContaining(`Observation/${moved}`) as string });
    await undo(desk, moved);
    await expect(undo(desk, held)).rejects.toMatchObject({ code: 'ERR_CONFLICT' });

    await open();
    await decide(desk, held, toBo);
    pass(10 * SECOND);
    await drain();
    await expect(undo(desk, held)).rejects.toMatchObject({ message: expect.stringContaining('has gone to the EHR') as string });
  });
});

describe('undo of wrong-person, where another decision waits for that person', () => {
  it('leaves that one the time in which it can be taken back', async () => {
    await desk.post(weight('60.0', 'kg', { subject: BO, ...YESTERDAY }));
    await drain();
    const other = idOf(await desk.post(weight('80.0', 'kg', { subject: BO, effectiveDateTime: '2026-03-02T07:00:00Z' })));
    await decide(desk, held, { decision: 'wrong-person', subject: BO });
    pass(5 * SECOND);
    await decide(desk, other, { decision: 'keep' });
    const until = nowMs + 10 * SECOND;
    pass(SECOND);
    await undo(desk, held);
    expect((await undoState(desk.store.read, desk.store.outbox, other, nowMs))!).toMatchObject({ sentFrom: toInstant(until) });
    expect(await drain()).toEqual([]);
    await undo(desk, other);
    expect(await desk.tree(other)).toMatchObject({ status: 'preliminary' });
    pass(10 * SECOND);
    expect((await drain()).flatMap(({ concerns }) => concerns)).not.toContain(other);
  });
});

describe('who shows that a decision can be taken back', () => {
  const state = () => undoState(desk.store.read, desk.store.outbox, held, nowMs);

  it('is told until when, from when on it may be sent, and why not any more', async () => {
    expect(await state()).toMatchObject({ kind: 'closed' });
    await decide(desk, held, { decision: 'keep' });
    const at = nowMs;
    expect(await state()).toEqual({ kind: 'open', as: 'keep', until: toInstant(at + 5 * MINUTE), sentFrom: toInstant(at + 10 * SECOND) });
    pass(10 * SECOND);
    await drain();
    expect(await state()).toMatchObject({ kind: 'closed', reason: expect.stringContaining('has gone to the EHR') as string });
    expect(await undoState(desk.store.read, desk.store.outbox, `bmi-${held}`, nowMs)).toBeUndefined();
  });

  it('sees no EHR where there is none', async () => {
    await open({ forwards: false });
    await decide(desk, held, { decision: 'discard' });
    expect(await state()).toEqual({ kind: 'open', as: 'discard', until: toInstant(nowMs + 5 * MINUTE) });
  });
});
