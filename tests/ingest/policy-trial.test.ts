/** A candidate judged against what is stored must foretell what a service under it would have stored. */
import { describe, expect, it } from 'vitest';
import type { ExactObservation } from '../../src/core/observation.ts';
import { DEFAULT_POLICY, type Policy } from '../../src/core/policy.ts';
import type { State } from '../../src/core/policy-trial.ts';
import type { Reading, StandingBmi } from '../../src/core/reading.ts';
import { tryOnReadings, tryOnRefusals, type PolicyTrial, type TriedPerson, type TriedRefusal } from '../../src/ingest/policy-trial.ts';
import { bmi, height, weight } from '../measurements.ts';
import { policyWith } from '../service.ts';
import { idOf, openDesk, type Desk } from './desk.ts';
import { tablesOf, WHO_SD_COLUMNS } from '../published/growth-examples.ts';

const ADA = { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17', gender: 'female' } as const;
const SCALE = { device: { reference: 'Device/chair-scale' } };
const at = (effectiveDateTime: string, more: object = {}) => ({ effectiveDateTime, ...more });

/** A month of Ada Invented's readings: usual ones, heavy ones, a slip of the scale, pounds, a press pressed twice. */
const MONTH: readonly ExactObservation[] = [
  height('170.0', 'cm', at('2026-02-05T08:00:00Z')),
  weight('80.0', 'kg', at('2026-02-06T08:00:00Z', SCALE)),
  weight('80.1', 'kg', at('2026-02-06T08:00:40Z', SCALE)),
  weight('172.0', '[lb_av]', at('2026-02-10T08:00:00Z')),
  height('170.5', 'cm', at('2026-02-12T08:00:00Z')),
  weight('71.5', 'kg', at('2026-02-15T08:00:00Z')),
  weight('90.0', 'kg', at('2026-02-20T08:00:00Z')),
  weight('90.1', 'kg', at('2026-02-20T08:30:00Z')),
  weight('82.0', 'kg', at('2026-02-27T15:00:00Z')),
  weight('275.0', 'kg', at('2026-03-01T08:00:00Z')),
  weight('82.5', 'kg', at('2026-03-02T08:00:00Z')),
];

async function served(policy: Policy, observations: readonly ExactObservation[] = MONTH): Promise<Desk> {
  const desk = await openDesk({ policy });
  await desk.put('Patient', ADA);
  await desk.put('Device', { resourceType: 'Device', id: 'chair-scale' } as { id: string });
  for (const observation of observations) await desk.post(observation);
  return desk;
}

async function all<Item>(items: AsyncIterable<Item>): Promise<Item[]> {
  const found: Item[] = [];
  for await (const item of items) found.push(item);
  return found;
}

const trialOf = (inForce: Policy, candidate: Policy, more: Partial<PolicyTrial> = {}): PolicyTrial => ({
  inForce,
  candidate,
  knownBases: [],
  ...more,
});
const tried = ({ store }: Desk, trial: PolicyTrial): Promise<TriedPerson[]> => all(tryOnReadings(store.read, trial));
const triedRefusals = ({ store }: Desk, trial: PolicyTrial): Promise<TriedRefusal[]> => all(tryOnRefusals(store.read, trial));

const keyOf = ({ effective, of }: Pick<Reading, 'effective' | 'of'>): string => `${effective.text} ${of}`;
const stateOf = ({ held, repeatOf }: Reading): State => (held ? 'held' : repeatOf === undefined ? 'accepted' : 'repeat');

/** What the store holds, by when and what was measured: ids differ from desk to desk. */
async function standingsOf(desk: Desk): Promise<Record<string, string>> {
  const readings = await desk.readings();
  const bmis = new Map((await desk.standing()).map((one: StandingBmi) => [one.weightId, one.valueText]));
  const shown = readings.map((reading) => [keyOf(reading), `${stateOf(reading)} ${bmis.get(reading.id) ?? '-'}`]);
  return Object.fromEntries(shown) as Record<string, string>;
}

/** The same, as the trial foretells it from what one desk holds. */
async function foretold(desk: Desk, trial: PolicyTrial): Promise<Record<string, string>> {
  const standings = await standingsOf(desk);
  const keys = new Map((await desk.readings()).map((reading) => [reading.id, keyOf(reading)]));
  const change = (id: string, place: 0 | 1, to: string): void => {
    const key = keys.get(id) ?? '';
    const parts = (standings[key] ?? '').split(' ');
    parts[place] = to;
    standings[key] = parts.join(' ');
  };
  for (const { changes } of await tried(desk, trial)) {
    for (const one of changes) {
      if (one.kind === 'bmi') change(one.weightId, 1, one.to?.valueText ?? '-');
      else change(one.id, 0, one.to);
    }
  }
  return Object.fromEntries(Object.entries(standings).filter(([, standing]) => !standing.startsWith('refused')));
}

describe('a trial', () => {
  it.each<[string, Record<string, unknown>]>([
    ['nothing', {}],
    [
      'a wider span of usual weights',
      { 'limits.adult.weight.hold.high': '300', 'rule.weight-change-rate': 'off', 'rule.bmi-unusual': 'off' },
    ],
    ['a narrower span of usual weights', { 'limits.adult.weight.hold.low': '75', 'limits.adult.weight.hold.high': '85' }],
    ['a narrower span of possible weights', { 'limits.adult.weight.refuse.high': '89.0' }],
    ['no pounds', { metricOnly: true }],
    ['younger readings only', { 'time.oldestDays': 18 }],
    ['no second weighing', { 'release.windowMinutes': 10 }],
    ['a smaller tolerance', { 'release.weightKg': '0.05', 'release.weightOtherScaleKg': '0.05' }],
    ['no double press', { 'repeat.seconds': 5 }],
    ['a wider step', { 'precision.kg': '0.5' }],
    ['a switched-off rule', { 'rule.weight-change-rate': 'off' }],
    ['a rule that refuses', { 'rule.weight-change-rate': 'refuse' }],
    ['a closer look at losses', { 'limits.adult.change.within30Days.lossPercent': '5' }],
    ['a shorter wait for heights', { 'bmi.heightWindowDays.adult': 5 }],
    ['extensions', { 'qualifiers.shape': 'extension' }],
  ])('of %s foretells what a service under it would have stored', async (what, overrides) => {
    const candidate = policyWith(overrides);
    const [inForce, then] = [await served(DEFAULT_POLICY), await served(candidate)];
    const makesNone = ['nothing', 'extensions'].includes(what);
    expect((await tried(inForce, trialOf(DEFAULT_POLICY, candidate))).some(({ changes }) => changes.length > 0)).toBe(!makesNone);
    expect(await foretold(inForce, trialOf(DEFAULT_POLICY, candidate))).toEqual(await standingsOf(then));
  });

  it('says of each reading from what to what, and by which rules', async () => {
    const desk = await served(DEFAULT_POLICY);
    const candidate = policyWith({ 'limits.adult.weight.hold.low': '81', metricOnly: true });
    const [ada, ...others] = await tried(desk, trialOf(DEFAULT_POLICY, candidate));
    expect(others).toEqual([]);
    expect(ada).toMatchObject({ person: 'Patient/ada', readings: MONTH.length });
    const words = ada?.changes.map((one) =>
      one.kind === 'bmi'
        ? `BMI ${one.effective.text} ${one.from?.valueText ?? '-'} ${one.to?.valueText ?? '-'}`
        : `${one.effective.text} ${one.from} ${one.to} ${one.rules.join()}`,
    );
    expect(words).toContain('2026-02-06T08:00:00Z accepted held value-unusual');
    expect(words).toContain('2026-02-06T08:00:40Z repeat held double-press-held');
    expect(words).toContain('2026-02-10T08:00:00Z accepted refused metric-only');
    expect(words).toContain('BMI 2026-02-06T08:00:00Z 27.7 -');
  });

  it('judges a child by the growth tables that the service has (WHO 2006, boys, day 274: 15.5 kg is beyond z = +5)', async () => {
    const row = WHO_SD_COLUMNS.find(({ title }) => title === 'weight of boys on day 274')!.row;
    const growth = tablesOf(row);
    const desk = await openDesk({ growth });
    await desk.put('Patient', { resourceType: 'Patient', id: 'ada', gender: 'male', birthDate: '2025-06-01' } as { id: string });
    expect((await desk.post(weight('15.500'))).status).toBe(202);
    const candidate: Policy = { ...DEFAULT_POLICY, outcomes: { 'growth-implausible': 'warn' } };
    const [withTables] = await tried(desk, trialOf(DEFAULT_POLICY, candidate, { growth }));
    expect(withTables?.changes).toMatchObject([{ kind: 'reading', from: 'held', to: 'accepted', rules: ['growth-implausible'] }]);
    const [without] = await tried(desk, trialOf(DEFAULT_POLICY, candidate));
    expect(without?.changes).toEqual([]);
  });

  it('changes nothing in the store', async () => {
    const desk = await served(DEFAULT_POLICY);
    const before = [await desk.counts(), await desk.readings(), await desk.store.read.standingDerivedOf('Patient/ada')];
    const trial = trialOf(DEFAULT_POLICY, policyWith({ metricOnly: true, 'time.oldestDays': 1 }));
    expect((await tried(desk, trial)).length + (await triedRefusals(desk, trial)).length).toBeGreaterThan(0);
    expect([await desk.counts(), await desk.readings(), await desk.store.read.standingDerivedOf('Patient/ada')]).toEqual(before);
  });

  it('judges a correction and leaves a withdrawn reading in peace', async () => {
    const desk = await openDesk();
    await desk.put('Patient', ADA);
    const corrected = idOf(await desk.post(weight('154.0', '[lb_av]')));
    await desk.correct(corrected, { ...(await desk.tree(corrected)), ...weight('70.0') });
    const withdrawn = idOf(await desk.post(weight('154.25', '[lb_av]', at('2026-03-01T08:00:00Z'))));
    await desk.correct(withdrawn, { ...(await desk.tree(withdrawn)), status: 'entered-in-error' });
    const [ada] = await tried(desk, trialOf(DEFAULT_POLICY, policyWith({ metricOnly: true })));
    expect(ada).toEqual({ person: 'Patient/ada', readings: 2, changes: [] });
  });

  it('remarks on a comparison that would be another', async () => {
    const desk = await openDesk();
    for (const hour of ['08', '10']) await desk.post(weight('70.0', 'kg', at(`2026-03-01T${hour}:00:00Z`)));
    const [ada] = await tried(desk, trialOf(DEFAULT_POLICY, policyWith({ 'comparability.timeOfDayHours': 1 })));
    expect(ada?.changes).toMatchObject([{ effective: { text: '2026-03-01T10:00:00Z' }, from: 'accepted', to: 'accepted', rules: [] }]);
  });

  it('speaks of one person, or of readings since an instant, when asked to', async () => {
    const desk = await openDesk();
    const candidate = policyWith({ metricOnly: true });
    for (const person of ['ada', 'otis', 'wren']) {
      const subject = { reference: `Patient/${person}-invented` };
      await desk.post(weight('154.5', '[lb_av]', at('2026-02-20T08:00:00Z', { subject })));
      await desk.post(weight('154.0', '[lb_av]', at('2026-03-01T08:00:00Z', { subject })));
    }
    expect((await tried(desk, trialOf(DEFAULT_POLICY, candidate))).map(({ changes }) => changes.length)).toEqual([2, 2, 2]);
    const one = await tried(desk, trialOf(DEFAULT_POLICY, candidate, { person: 'Patient/otis-invented' }));
    expect(one.map(({ person }) => person)).toEqual(['Patient/otis-invented']);
    const recent = await tried(desk, trialOf(DEFAULT_POLICY, candidate, { sinceMs: Date.parse('2026-03-01T00:00:00Z') }));
    expect(recent.map(({ readings, changes }) => [readings, changes.length])).toEqual(Array(3).fill([1, 1]));
  });
});

describe('a trial of kept refusals', () => {
  const strict = policyWith({ metricOnly: true });

  it('finds those that the candidate would take in, accepted or held', async () => {
    const desk = await served(strict, [
      weight('154.0', '[lb_av]'),
      weight('610.0', '[lb_av]', at('2026-03-01T08:00:00Z')),
      weight('70.04'),
    ]);
    const found = await triedRefusals(desk, trialOf(strict, policyWith({})));
    expect(found.map(({ judged }) => judged)).toEqual([true, true, true]);
    expect(found.flatMap(({ change }) => change ?? [])).toMatchObject([
      { person: 'Patient/ada', of: 'weight', effective: { text: '2026-03-01T08:00:00Z' }, to: 'held', rules: ['metric-only'] },
      { person: 'Patient/ada', of: 'weight', effective: { text: '2026-03-02T08:00:00Z' }, to: 'accepted', rules: ['metric-only'] },
    ]);
    expect(await triedRefusals(desk, trialOf(strict, strict))).toEqual(Array(3).fill({ judged: true }));
    const later = trialOf(strict, policyWith({}), { sinceMs: Date.parse('2026-03-03T00:00:00Z') });
    expect(await triedRefusals(desk, later)).toEqual([]);
  });

  it('judges no Bundle, no correction and no BMI as if it were a new reading', async () => {
    const desk = await served(strict, [weight('70.0'), bmi('25.0', { valueQuantity: undefined })]);
    const [stored] = await desk.readings();
    await desk.correct(stored?.id ?? '', { ...(await desk.tree(stored?.id ?? '')), ...weight('154.0', '[lb_av]') });
    await desk.bundle('transaction', [{ resource: weight('154.0', '[lb_av]'), request: { method: 'POST', url: 'Observation' } }]);
    const found = await triedRefusals(desk, trialOf(strict, policyWith({})));
    expect(found.map(({ judged }) => judged).sort()).toEqual([false, false, true]);
    expect(found.flatMap(({ change }) => change ?? [])).toEqual([]);
  });

  it('goes on past the first page', async () => {
    const many = Array.from({ length: 45 }, (_, minute) =>
      weight('154.0', '[lb_av]', at(`2026-03-01T08:${String(minute).padStart(2, '0')}:00Z`)),
    );
    const desk = await served(strict, many);
    const ids = (await triedRefusals(desk, trialOf(strict, policyWith({})))).flatMap(({ change }) => change?.id ?? []);
    expect([ids.length, new Set(ids).size]).toEqual([45, 45]);
  });
});
