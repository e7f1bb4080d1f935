/** The counting is right on a few hand-made answers, and a rehearsal is what it says on the real service. */
import { afterEach, describe, expect, it } from 'vitest';
import type { Verdict } from '../../../src/core/finding.ts';
import { attemptIn, ERROR_KINDS, received, type Attempt } from './errors.ts';
import { attemptsOn, judgeCohort, judgePeople } from './judge.ts';
import { MODELS } from './model.ts';
import { seededRandom } from './random.ts';
import { eventsOf, EPOCH_MS, DAY_MS, GROUPS, toPatient, type Measurement, type Series } from './series.ts';
import { countAlarms, countAttempt, emptyAlarmTally, emptyErrorTally, sum, type Judged } from './tally.ts';
import { openWard, type Answer, type Ward } from './ward.ts';

function answer(verdict: Verdict, ...deciding: string[]): Answer {
  return { verdict, rules: ['some-remark', ...deciding], deciding };
}

const judged = (person: string, of: string, ...verdicts: Verdict[]): Judged[] =>
  verdicts.map((verdict) => ({ person, of, answer: answer(verdict, ...(verdict === 'accepted' ? [] : [`rule-${verdict}`])) }));

describe('alarms', () => {
  it('are counted as first ones and as those that follow on, by person and measure', () => {
    const all = [
      ...judged('a', 'weight', 'held', 'held', 'accepted', 'refused', 'held', 'accepted'),
      ...judged('a', 'height', 'held'),
      ...judged('b', 'weight', 'accepted', 'held'),
      ...judged('c', 'weight', 'accepted'),
    ];
    expect(countAlarms(4, all)).toEqual({
      people: 4,
      measurements: 10,
      firstAlarms: 4,
      followOn: 2,
      peopleAlarmed: 2,
      rules: { 'rule-held': 5, 'rule-refused': 1 },
      // a: 5 of 7, b: 1 of 2, c: 0 of 1; the fourth was never measured
      overPeople: { alarmsSquared: 26, alarmsTimesMeasurements: 37, measurementsSquared: 54 },
    });
  });

  it('are none of nothing', () => {
    expect(countAlarms(0, [])).toEqual(emptyAlarmTally());
  });
});

describe('an attempt', () => {
  const named: Answer = { verdict: 'accepted', rules: ['double-press'], deciding: [] };

  it.each([
    ['missed', [answer('accepted')], 0.05, { missed: 1 }],
    ['missed, and far off', [answer('accepted')], 0.051, { missed: 1, missedFar: 1 }],
    ['held', [answer('held', 'value-unusual')], 1, { held: 1, rules: { 'value-unusual': 1 } }],
    ['refused', [answer('refused', 'value-impossible')], 1, { refused: 1, rules: { 'value-impossible': 1 } }],
    ['held and named', [answer('held', 'double-press')], 0, { held: 1, named: 1, rules: { 'double-press': 1 } }],
    ['noted: accepted with a remark that names it', [named], 1, { noted: 1, named: 1, rules: { 'double-press': 1 } }],
    [
      'as bad as its worst part',
      [answer('accepted'), answer('held', 'one'), answer('refused', 'two')],
      0,
      { refused: 1, rules: { one: 1, two: 1 } },
    ],
  ] as const)('is %s', (_, answers, off, expected) => {
    const tally = emptyErrorTally();
    countAttempt(tally, { kind: 'double-press', answers, off });
    expect(tally).toEqual({ ...emptyErrorTally(), tried: 1, ...expected });
  });

  it('that was accepted may raise an alarm about the next right measurement', () => {
    const tally = emptyErrorTally();
    countAttempt(tally, { kind: 'other-person', answers: [answer('accepted')], off: 0, next: answer('held', 'weight-change-rate') });
    countAttempt(tally, { kind: 'other-person', answers: [answer('accepted')], off: 0, next: answer('accepted') });
    expect(tally).toMatchObject({ tried: 2, missed: 2, nextAlarmed: 1, rules: {} });
  });
});

it('tallies are added name by name', () => {
  const one = { ...emptyErrorTally(), tried: 2, rules: { a: 1 } };
  const other = { ...emptyErrorTally(), tried: 3, rules: { a: 2, b: 1 } };
  expect(sum([one, other])).toEqual({ ...emptyErrorTally(), tried: 5, rules: { a: 3, b: 1 } });
});

/** An invented adult of 170 cm, weighed once a week. */
function handMade(weights: readonly string[]): Series {
  const person = 'healthy-adults-901';
  const at = (index: number): number => EPOCH_MS + 7 * index * DAY_MS + 8 * 3_600_000;
  const height: Measurement = {
    key: 'height',
    person,
    of: 'height',
    atMs: at(0) - 60_000,
    instrument: 'stadiometer',
    shown: { digits: '170.0', unit: 'cm' },
    truth: { body: 170, worn: 0 },
  };
  return {
    group: 'healthy-adults',
    number: 901,
    patient: toPatient('healthy-adults', 901, 'female', Date.parse('1980-05-17T00:00:00Z')),
    ownDevices: [],
    measurements: [
      height,
      ...weights.map((digits, index): Measurement => ({
        key: `weight-${index + 1}`,
        person,
        of: 'weight',
        atMs: at(index),
        instrument: 'standing-1',
        shown: { digits, unit: 'kg' },
        truth: { body: Number(digits), worn: 0 },
      })),
    ],
  };
}

describe('a hand-made series', () => {
  it('is counted right on the real service: what is right, what is wrong, and where wrong could not be told from right', async () => {
    // a fifth more in a day is held; weighed again, it is released and is what the next one is compared with
    const series = handMade(['70.0', '70.3', '70.1', '84.0', '84.2']);
    const place = (key: string): number => series.measurements.findIndex((one) => one.key === key);
    const attempt = (kind: 'scale-in-quarantine' | 'converted-digits' | 'carried-forward', index: number): Attempt => {
      const right = series.measurements[index] as Measurement;
      const shown = kind === 'converted-digits' ? { digits: '154.5441', unit: '[lb_av]' as const } : right.shown;
      const made = attemptIn(kind, series, { seed: 1, random: seededRandom(1) }) as Attempt;
      return { ...made, index, sent: [{ measurement: { ...right, shown }, receivedMs: received(right), isWrong: true }] };
    };
    const { tally, alarms, sent } = await judgePeople(
      [series],
      [
        attempt('scale-in-quarantine', place('weight-3')),
        attempt('converted-digits', place('weight-3')),
        attempt('converted-digits', place('weight-4')),
        attempt('converted-digits', place('weight-5')),
        attempt('carried-forward', place('weight-3')),
      ],
    );
    expect(tally.alarms).toMatchObject({ people: 1, measurements: 6, firstAlarms: 1, followOn: 0, peopleAlarmed: 1 });
    expect(alarms.map(({ measurement, shown }) => [measurement, shown])).toEqual([['weight-4', '84.0 kg']]);
    expect(tally.errors['scale-in-quarantine']).toMatchObject({ tried: 1, held: 1, named: 1, missed: 0 });
    // the attempt in the place of the fourth weight does not count: that one is held by itself
    expect(tally.errors['converted-digits']).toMatchObject({ tried: 2, refused: 2, named: 2, missed: 0 });
    // this one sends the right weight, which nobody doubts, and then the fourth, which is held
    expect(tally.errors['carried-forward']).toMatchObject({ tried: 1, missed: 1, missedFar: 0, nextAlarmed: 1 });
    expect(Object.keys(tally.errors).sort()).toEqual(['carried-forward', 'converted-digits', 'scale-in-quarantine']);
    // six right ones, four wrong ones, two right ones after them, one weighed again
    expect(sent).toBe(6 + 4 + 2 + 1);
  });
});

describe('a rehearsal', () => {
  const wards: Ward[] = [];
  afterEach(async () => {
    for (const ward of wards.splice(0)) await ward.close();
  });
  const ward = async (): Promise<Ward> => {
    const opened = await openWard();
    wards.push(opened);
    return opened;
  };

  it('leaves nothing behind', async () => {
    const series = handMade(['70.0', '70.3']);
    const here = await ward();
    const right = series.measurements[1] as Measurement;
    const asked = (): Promise<Answer> => here.rehearse((desk) => desk.post(right, received(right)));
    const [first, second] = [await asked(), await asked()];
    const bare = ({ storedAs: _id, ...answer }: Answer): object => answer;
    expect(bare(second)).toEqual(bare(first));
    const sent = await here.post(right, received(right));
    expect(bare(sent)).toEqual(bare(first));
    expect((await here.post(right, received(right))).rules).toContain('resent');
  });

  it('passes on what goes wrong in it, and takes back what was stored before', async () => {
    const here = await ward();
    const right = handMade(['70.0']).measurements[1] as Measurement;
    const failing = here.rehearse(async (desk) => {
      await desk.post(right, received(right));
      throw new Error('the desk caught fire');
    });
    await expect(failing).rejects.toThrow('the desk caught fire');
    expect((await here.post(right, received(right))).rules).not.toContain('resent');
  });

  it.each(GROUPS)('answers as the service does when the error really happens: %s', async (group) => {
    const people = [MODELS[group](3, 1), MODELS[group](3, 2)];
    const [series] = people as [Series];
    const attempts = attemptsOn(people, 3, 1, ERROR_KINDS).filter((one) => one.series === series && one.index < 12);
    // one of a kind, so that what is counted of a kind is what came of one attempt
    expect(new Set(attempts.map(({ kind }) => kind)).size).toBe(attempts.length);
    const { tally } = await judgePeople(people, attempts);
    for (const { kind, index, sent, puts } of attempts) {
      const { key, atMs } = series.measurements[index] as Measurement;
      const real = await ward();
      const answers: Answer[] = [];
      for (const event of eventsOf(people)) {
        if (event.kind === 'measured' && event.measurement.key === key) break;
        if (event.kind === 'put') await real.put(event.put, event.atMs);
        else await real.post(event.measurement, received(event.measurement));
      }
      for (const put of puts) await real.put(put, atMs);
      for (const { measurement, receivedMs, isWrong } of sent) {
        const given = await real.post(measurement, receivedMs);
        if (isWrong) answers.push(given);
      }
      const expected = emptyErrorTally();
      countAttempt(expected, { kind, answers, off: 0 });
      const { tried, refused, held, noted, named, rules } = expected;
      expect(tally.errors[kind], kind).toMatchObject({ tried, refused, held, noted, named, rules });
    }
  });
});

describe('a cohort', () => {
  it('comes to the same every time, and every attempt to one end', async () => {
    const cohort = { seed: 5, group: 'in-bed', from: 1, to: 4, tries: 2 } as const;
    const [first, second] = [await judgeCohort(cohort), await judgeCohort(cohort)];
    expect(second).toEqual(first);
    expect(first.tally.alarms).toMatchObject({ people: 3, measurements: 75 });
    for (const { tried, refused, held, noted, missed } of Object.values(first.tally.errors)) {
      expect(refused + held + noted + missed).toBe(tried);
      expect(tried).toBeGreaterThan(0);
      expect(tried).toBeLessThanOrEqual(6);
    }
  });
});
