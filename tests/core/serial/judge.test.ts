/** A person's readings together: who waits, who releases whom, what repeats what. */
import { describe, expect, it } from 'vitest';
import { explainFinding } from '../../../src/core/finding.ts';
import type { PersonFacts, Reading } from '../../../src/core/reading.ts';
import { judgeSerial, type Standing } from '../../../src/core/serial/judge.ts';
import { ADA, deepFreeze, height, policyWith, reading, weight } from '../../measurements.ts';

type Facts = Partial<Reading> & { readonly unit?: string };

const at = (id: string, value: string, time: string, { unit = 'kg', ...facts }: Facts = {}): Reading =>
  reading(weight(value, unit, { effectiveDateTime: `2026-03-0${time}Z` }), id, facts);
const tallAt = (id: string, value: string, time: string, facts: Facts = {}): Reading =>
  reading(height(value, 'cm', { effectiveDateTime: `2026-03-0${time}Z` }), id, facts);
const BEFORE = at('before', '70.0', '1T08:00:00', { device: 'Device/a' });

function judged(readings: readonly Reading[], policy = policyWith({}), person: PersonFacts = ADA): Map<string, Standing> {
  return new Map(judgeSerial(deepFreeze(readings), { person, policy }).map((standing) => [standing.reading.id, standing]));
}

function heldIn(standings: ReadonlyMap<string, Standing>): string[] {
  return [...standings].filter(([, { reading: one }]) => one.held).map(([id]) => id);
}

/** Without the published thresholds of change, which have a test of their own. */
function saidOf(standings: ReadonlyMap<string, Standing>, id: string): string[] {
  const findings = standings.get(id)?.findings ?? [];
  return findings.filter(({ rule }) => !rule.id.startsWith('change-')).map(({ rule, outcome }) => `${outcome}: ${rule.id}`);
}

describe('a jump', () => {
  const jump = at('jump', '84.0', '2T08:00:00', { device: 'Device/a' });

  it('waits, and is no baseline for what follows', () => {
    const standings = judged([BEFORE, jump, at('next', '70.3', '3T08:00:00', { device: 'Device/a' })]);
    expect(heldIn(standings)).toEqual(['jump']);
    expect(standings.get('next')?.reading.comparison).toMatchObject({ previous: 'before', changeKg: '+0.3' });
    expect(standings.get('jump')?.reading.comparison).toBeUndefined();
  });

  it.each([
    ['two tenths away, after two minutes', '84.2', '2T08:02:00', { device: 'Device/a' }, []],
    ['two tenths below', '83.8', '2T08:02:00', { device: 'Device/a' }, []],
    ['three tenths away on the same scale', '84.3', '2T08:02:00', { device: 'Device/a' }, ['again', 'jump']],
    ['four tenths away on another scale', '84.4', '2T08:02:00', { device: 'Device/b' }, []],
    ['five tenths away on another scale', '84.5', '2T08:02:00', { device: 'Device/b' }, ['again', 'jump']],
    ['four hours after', '84.0', '2T12:00:00', { device: 'Device/a' }, []],
    ['more than four hours after', '84.0', '2T12:00:01', { device: 'Device/a' }, ['again', 'jump']],
    ['before it', '84.1', '2T07:30:00', { device: 'Device/a' }, []],
    ['withdrawn', '84.0', '2T08:02:00', { device: 'Device/a', status: 'entered-in-error' as const }, ['jump']],
    ['stated, not measured', '84.0', '2T08:02:00', { basis: 'stated' as const }, ['jump']],
    ['from a scale that is out of use', '84.0', '2T08:02:00', { device: 'Device/c', doubts: ['device-quarantined'] }, ['again', 'jump']],
    [
      'with a digit that its scale cannot show',
      '84.0',
      '2T08:02:00',
      { device: 'Device/c', doubts: ['scale-division'] },
      ['again', 'jump'],
    ],
    ['half a minute later with no scale named, which may be one press', '84.0', '2T08:00:30', {}, ['again', 'jump']],
  ])('and a second weighing %s', (_what, value, time, facts, held) => {
    expect(heldIn(judged([BEFORE, jump, at('again', value, time, facts)])).sort()).toEqual(held);
  });

  it('says who released it, and the other says that it did', () => {
    const standings = judged([BEFORE, jump, at('again', '84.1', '2T08:05:00', { device: 'Device/a' })]);
    expect(standings.get('jump')?.reading).toMatchObject({ held: false, releasedBy: 'again' });
    expect(saidOf(standings, 'jump')).toEqual(['warn: weight-change-rate', 'inform: weight-comparable', 'inform: second-weighing-agrees']);
    expect(saidOf(standings, 'again')).toEqual(['inform: weight-comparable', 'inform: second-weighing-releases']);
    expect(standings.get('jump')?.findings.map(explainFinding).at(-1)).toContain(
      'The later of the two is what the next reading is compared with.',
    );
  });

  it('stands when somebody decided so', () => {
    const standings = judged([BEFORE, { ...jump, kept: true }]);
    expect(heldIn(standings)).toEqual([]);
    expect(saidOf(standings, 'jump')).toContain('warn: weight-change-rate');
  });

  it('is accepted under a policy that only warns of it, and not asked about under one that does not', () => {
    const moved = (outcome: 'warn' | 'off') => ({ ...policyWith({}), outcomes: { 'weight-change-rate': outcome } });
    expect([heldIn(judged([BEFORE, jump], moved('warn'))), saidOf(judged([BEFORE, jump], moved('warn')), 'jump')[0]]).toEqual([
      [],
      'warn: weight-change-rate',
    ]);
    expect(saidOf(judged([BEFORE, jump], moved('off')), 'jump')).toEqual(['inform: weight-comparable']);
  });
});

describe('a scale that was left in pounds', () => {
  const pounds = at('pounds', '154.3', '2T08:00:00', { device: 'Device/a' });

  it('repeats its mistake, so that only another scale settles it', () => {
    expect(heldIn(judged([BEFORE, pounds, at('again', '154.3', '2T08:03:00', { device: 'Device/a' })])).sort()).toEqual([
      'again',
      'pounds',
    ]);
    expect(heldIn(judged([BEFORE, pounds, at('again', '154.3', '2T08:03:00')])).sort()).toEqual(['again', 'pounds']);
    expect(heldIn(judged([BEFORE, pounds, at('again', '154.3', '2T08:03:00', { device: 'Device/b' })]))).toEqual([]);
  });

  it('is followed by generic words where the site has switched its name off', () => {
    const off = { ...policyWith({}), outcomes: { 'mixup-pounds-as-kilograms': 'off' as const } };
    expect(saidOf(judged([BEFORE, pounds], off), 'pounds')).toEqual(['hold: weight-change-rate']);
    const warned = { ...policyWith({}), outcomes: { 'mixup-pounds-as-kilograms': 'warn' as const } };
    expect(saidOf(judged([BEFORE, pounds], warned), 'pounds')).toEqual(['warn: mixup-pounds-as-kilograms', 'hold: weight-change-rate']);
  });
});

describe('a double press', () => {
  const first = at('first', '70.2', '2T08:00:00', { device: 'Device/a' });

  it.each([
    ['within a minute', '70.2', '2T08:01:00', 'Device/a', 'first'],
    ['after a minute', '70.2', '2T08:01:01', 'Device/a', undefined],
    ['within a division', '70.3', '2T08:00:20', 'Device/a', 'first'],
    ['two divisions away', '70.4', '2T08:00:20', 'Device/a', undefined],
    ['on another scale', '70.2', '2T08:00:20', 'Device/b', undefined],
  ])('%s', (_what, value, time, device, repeatOf) => {
    const standings = judged([BEFORE, first, at('second', value, time, { device })]);
    expect(standings.get('second')?.reading.repeatOf).toBe(repeatOf);
  });

  it('takes the division of the scale where that is known', () => {
    const fine = { device: 'Device/a', division: '0.05' };
    const standings = judged([at('first', '70.20', '2T08:00:00', fine), at('second', '70.30', '2T08:00:20', fine)]);
    expect(standings.get('second')?.reading.repeatOf).toBeUndefined();
  });

  it('of three repeats the first each time, and no repeat is a baseline', () => {
    const standings = judged([
      first,
      at('second', '70.3', '2T08:00:40', { device: 'Device/a' }),
      at('third', '70.3', '2T08:00:50', { device: 'Device/a' }),
      at('next', '70.5', '3T08:00:00', { device: 'Device/a' }),
    ]);
    expect([...standings.values()].map(({ reading: { repeatOf } }) => repeatOf)).toEqual([undefined, 'first', 'first', undefined]);
    expect(standings.get('next')?.reading.comparison?.previous).toBe('first');
  });

  it('waits with a first one that waits, and settles no doubt', () => {
    const standings = judged([
      BEFORE,
      at('jump', '84.0', '2T08:00:00', { device: 'Device/a' }),
      at('press', '84.0', '2T08:00:30', { device: 'Device/a' }),
    ]);
    expect(heldIn(standings)).toEqual(['jump', 'press']);
    expect(saidOf(standings, 'press')).toEqual(['hold: double-press-held']);
  });

  const odd = (id: string, time: string): Reading => at(id, '70.27', time, { device: 'Device/a', doubts: ['scale-division'] });

  it('is none where one of the two is doubtful by itself: likeness settles no doubt', () => {
    const standings = judged([BEFORE, first, odd('odd', '2T08:00:20')]);
    expect(standings.get('odd')?.reading).toMatchObject({ held: true, doubts: ['scale-division'] });
    expect(standings.get('odd')?.reading.repeatOf).toBeUndefined();
    expect(standings.get('odd')?.settled).toBe(false);
  });

  it('is none where the doubtful one came first: what the scale does show then stands by itself', () => {
    const standings = judged([BEFORE, odd('odd', '2T08:00:00'), at('shown', '70.3', '2T08:00:20', { device: 'Device/a' })]);
    expect(heldIn(standings)).toEqual(['odd']);
    expect(standings.get('shown')?.reading.repeatOf).toBeUndefined();
  });

  it('is found behind a doubtful one, and a doubtful one pressed twice waits with its own first', () => {
    const standings = judged([
      first,
      odd('odd', '2T08:00:10'),
      at('second', '70.2', '2T08:00:20', { device: 'Device/a' }),
      odd('odder', '2T08:00:30'),
    ]);
    expect([...standings.values()].map(({ reading: { repeatOf } }) => repeatOf)).toEqual([undefined, undefined, 'first', 'odd']);
    expect(heldIn(standings)).toEqual(['odd', 'odder']);
  });

  it('follows a decision about the first one, whose doubt is its own', () => {
    const standings = judged([{ ...odd('odd', '2T08:00:00'), kept: true }, odd('odder', '2T08:00:30')]);
    expect(heldIn(standings)).toEqual([]);
    expect(standings.get('odder')?.reading.repeatOf).toBe('odd');
  });
});

describe('a comparison', () => {
  const standing = at('standing', '70.0', '1T08:00:00', { method: 'standing-scale' });
  const inBed = at('bed', '71.4', '2T08:00:00', { method: 'bed-scale' });

  it('names the last weight that does compare, where the previous one does not', () => {
    const standings = judged([standing, inBed, at('now', '69.2', '3T08:30:00', { method: 'standing-scale' })]);
    expect(standings.get('now')?.reading.comparison).toEqual({
      previous: 'bed',
      reasons: ['other-method'],
      changeKg: '-2.2',
      changePercent: '-3.1',
      changePerDayKg: '-2.16',
      lastComparable: 'standing',
    });
    expect(standings.get('bed')?.reading.comparison?.lastComparable).toBeUndefined();
    const said = standings.get('now')?.findings.find(({ rule }) => rule.id === 'weight-not-comparable');
    expect(said && explainFinding(said)).toContain(
      'so its change of -2.2 kg is not called significant; the last that does compare is 70.0 kg, 2 days before: -0.8 kg (-1.1 %, -0.40 kg a day).',
    );
  });
});

describe('a reading that is doubtful by itself', () => {
  it('waits although a second weighing agrees, when the doubt is not about its number', () => {
    const doubtful = at('w', '70.1', '2T08:00:00', { doubts: ['calibration-overdue'] });
    expect(heldIn(judged([BEFORE, doubtful, at('again', '70.1', '2T08:05:00')]))).toEqual(['w']);
  });

  it('waits for a decision when it was held before doubts were kept', () => {
    const old = at('old', '70.1', '2T08:00:00', { held: true });
    expect(heldIn(judged([BEFORE, old, at('again', '70.1', '2T08:05:00')]))).toEqual(['old']);
  });
});

describe('a weight before its height', () => {
  it('leaves it to the height to be doubtful: what comes later in time is judged by what was there', () => {
    const standings = judged([at('w', '39.0', '2T08:00:00'), tallAt('h', '172.0', '2T08:10:00')]);
    expect(heldIn(standings)).toEqual(['h']);
    expect(saidOf(standings, 'h')).toEqual(['hold: bmi-unusual']);
  });

  it('is looked at for as long as a later height serves it', () => {
    const held = (time: string): string[] => heldIn(judged([at('w', '39.0', '1T20:00:00'), tallAt('h', '172.0', time)]));
    expect([held('2T20:00:00'), held('2T20:00:01')]).toEqual([['h'], []]);
  });

  it('is doubtful itself when both are of one instant', () => {
    expect(heldIn(judged([at('w', '39.0', '2T08:00:00'), tallAt('h', '172.0', '2T08:00:00')]))).toEqual(['w']);
  });
});

describe('the order in which readings are given', () => {
  it('makes no difference', () => {
    const all = [
      BEFORE,
      at('jump', '84.0', '2T08:00:00'),
      tallAt('h', '170.0', '1T09:00:00'),
      at('again', '84.1', '2T09:00:00'),
      at('next', '83.0', '3T08:00:00'),
    ];
    const shown = (readings: readonly Reading[]): unknown =>
      [...judged(readings)].map(([id, { reading: one, findings }]) => [id, one, findings]);
    expect(shown([...all].reverse())).toEqual(shown(all));
  });
});
