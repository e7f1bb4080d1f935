import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { decimal, toText } from '../../../src/core/decimal.ts';
import { CHANGE_FAMILIES, CHANGE_THRESHOLDS } from '../../../src/core/derive/change-thresholds.ts';
import { significantChanges, type EarlierWeight, type PersonAtWeighing } from '../../../src/core/derive/significant-change.ts';
import { DAY_MS, HOUR_MS } from '../../../src/core/fhir-time.ts';

const NOW = Date.UTC(2026, 2, 2, 8);
const ADULT: PersonAtWeighing = { ageMonths: 80 * 12 };

/** `id`, kilograms, and how many days before the current weight. */
type Old = readonly [id: string, kg: string, daysAgo: number];

const old = ([id, kg, daysAgo]: Old): EarlierWeight => ({ id, kg: decimal(kg), atMs: NOW - daysAgo * DAY_MS });

function changes(kg: string, earlier: readonly Old[], about = ADULT) {
  return significantChanges({ kg: decimal(kg), atMs: NOW }, earlier.map(old), about);
}

/** The reached thresholds of one family as `id: earlier id`. */
function reached(family: string, kg: string, earlier: readonly Old[], about = ADULT): string[] {
  return changes(kg, earlier, about)
    .filter(({ threshold }) => threshold.family === family)
    .map(({ threshold, earlierId }) => `${threshold.id}: ${earlierId}`);
}

describe('exactly at the edge', () => {
  it('5 % in 30 days is a hit for long-term care and for nobody who says "more than"', () => {
    expect(changes('95.0', [['w', '100.0', 30]]).map(({ threshold }) => threshold.id)).toEqual([
      'long-term-care-loss-30-days',
      // of a month's 5 % it is none, of three months' 7.5 % neither; a week is long over
    ]);
    expect(changes('94.9', [['w', '100.0', 30]]).map(({ threshold }) => threshold.id)).toEqual([
      'long-term-care-loss-30-days',
      'glim-loss-within-6-months',
      'academy-aspen-loss-within-1-month',
    ]);
    expect(changes('95.1', [['w', '100.0', 30]])).toEqual([]);
  });

  it.each<[string, string, string, number, boolean]>([
    ['long-term-care-loss-180-days', '90.0', '100.0', 180, true],
    ['long-term-care-loss-180-days', '90.1', '100.0', 180, false],
    ['long-term-care-gain-30-days', '105.0', '100.0', 30, true],
    ['long-term-care-gain-30-days', '104.9', '100.0', 30, false],
    ['long-term-care-gain-180-days', '110.0', '100.0', 180, true],
    ['long-term-care-gain-180-days', '109.9', '100.0', 180, false],
    ['glim-loss-within-6-months', '95.0', '100.0', 100, false],
    ['glim-loss-within-6-months', '94.9', '100.0', 100, true],
    ['glim-loss-beyond-6-months', '90.0', '100.0', 300, false],
    ['glim-loss-beyond-6-months', '89.9', '100.0', 300, true],
    ['academy-aspen-loss-within-1-week', '98.0', '100.0', 7, false],
    ['academy-aspen-loss-within-1-week', '97.9', '100.0', 7, true],
    ['academy-aspen-loss-within-1-month', '95.0', '100.0', 30, false],
    ['academy-aspen-loss-within-1-month', '94.9', '100.0', 30, true],
    ['academy-aspen-loss-within-3-months', '92.5', '100.0', 90, false],
    ['academy-aspen-loss-within-3-months', '92.4', '100.0', 90, true],
    ['academy-aspen-loss-within-6-months', '90.0', '100.0', 180, false],
    ['academy-aspen-loss-within-6-months', '89.9', '100.0', 180, true],
    ['academy-aspen-loss-within-1-year', '80.0', '100.0', 365, false],
    ['academy-aspen-loss-within-1-year', '79.9', '100.0', 365, true],
    // 2 lb are 0.90718474 kg, 5 lb are 2.26796185 kg
    ['heart-failure-gain-within-1-day', '80.9', '80.0', 1, false],
    ['heart-failure-gain-within-1-day', '80.90718474', '80.0', 1, false],
    ['heart-failure-gain-within-1-day', '80.90718475', '80.0', 1, true],
    ['heart-failure-gain-within-1-day', '81.0', '80.0', 1, true],
    ['heart-failure-gain-within-1-week', '82.26796185', '80.0', 6, false],
    ['heart-failure-gain-within-1-week', '82.3', '80.0', 6, true],
  ])('%s: %s kg after %s kg, %i days ago: %s', (id, kg, earlierKg, daysAgo, expected) => {
    expect(changes(kg, [['w', earlierKg, daysAgo]]).some(({ threshold }) => threshold.id === id)).toBe(expected);
  });

  it('is judged without rounding: 4.96 % reads 5.0 and is no hit', () => {
    expect(changes('95.04', [['w', '100.0', 30]])).toEqual([]);
    expect(changes('94.96', [['w', '100.0', 30]]).map(({ percentText }) => percentText)).toEqual(['5.0', '5.0', '5.0']);
  });

  it('holds for every old weight of a tenth of a kilogram', () => {
    const tenths = fc.bigInt(100n, 6500n);
    const ids = (kg: bigint, scale: number, before: bigint) =>
      significantChanges(
        { kg: { coefficient: kg, scale }, atMs: NOW },
        [{ id: 'w', kg: { coefficient: before, scale: 1 }, atMs: NOW - 30 * DAY_MS }],
        ADULT,
      ).map(({ threshold }) => threshold.id);
    fc.assert(
      fc.property(tenths, (before) => {
        const edge = before * 95n; // thousandths of a kilogram: 95 % of the tenths
        expect(ids(edge, 3, before)).toContain('long-term-care-loss-30-days');
        expect(ids(edge, 3, before)).not.toContain('glim-loss-within-6-months');
        expect(ids(edge + 1n, 3, before)).not.toContain('long-term-care-loss-30-days');
        expect(ids(edge - 1n, 3, before)).toContain('glim-loss-within-6-months');
      }),
    );
  });
});

describe('long-term care', () => {
  it('compares with the weight closest to 30 days before and no other', () => {
    const earlier: Old[] = [
      ['d20', '110.0', 20],
      ['d27', '100.0', 27],
      ['d35', '120.0', 35],
    ];
    expect(reached('long-term-care', '95.0', earlier)).toEqual(['long-term-care-loss-30-days: d27']);
    expect(reached('long-term-care', '95.1', earlier)).toEqual([]);
  });

  it('takes the later of two equally close ones', () => {
    expect(
      reached('long-term-care', '95.0', [
        ['d32', '90.0', 32],
        ['d28', '100.0', 28],
      ]),
    ).toEqual(['long-term-care-loss-30-days: d28']);
  });

  it.each([
    [19, []],
    [20, ['long-term-care-loss-30-days: w']],
    [40, ['long-term-care-loss-30-days: w']],
    [41, []],
    [149, []],
    [150, ['long-term-care-loss-180-days: w']],
    [210, ['long-term-care-loss-180-days: w']],
    [211, []],
  ])('accepts 10 days off the 30 and 30 days off the 180: %i days ago', (daysAgo, expected) => {
    expect(reached('long-term-care', '90.0', [['w', '100.0', daysAgo]])).toEqual(expected);
  });

  it('tells a loss in one span from a gain in the other', () => {
    const earlier: Old[] = [
      ['month', '80.0', 30],
      ['half-year', '60.0', 180],
    ];
    expect(reached('long-term-care', '70.0', earlier)).toEqual([
      'long-term-care-loss-30-days: month',
      'long-term-care-gain-180-days: half-year',
    ]);
  });
});

describe('a window', () => {
  it('counts any weight in it and names the one with the greatest change', () => {
    const earlier: Old[] = [
      ['d3', '96.0', 3],
      ['d10', '101.0', 10],
      ['d20', '100.0', 20],
    ];
    expect(reached('academy-aspen', '95.0', earlier)).toEqual(['academy-aspen-loss-within-1-month: d10']);
    expect(
      reached('heart-failure', '99.0', [
        ['d6', '97.5', 6],
        ['d5', '96.5', 5],
        ['d1', '98.5', 1],
      ]),
    ).toEqual(['heart-failure-gain-within-1-week: d5']);
  });

  it('names the latest of equal ones, in any order', () => {
    const earlier: Old[] = [
      ['d4', '100.0', 4],
      ['d6', '100.0', 6],
      ['d5', '100.0', 5],
    ];
    for (const order of [earlier, [...earlier].reverse()])
      expect(reached('academy-aspen', '97.0', order)).toEqual(['academy-aspen-loss-within-1-week: d4']);
  });

  it.each<[string, number, string, string]>([
    ['academy-aspen', 7, '97.9', 'academy-aspen-loss-within-1-week'],
    ['academy-aspen', 31, '94.9', 'academy-aspen-loss-within-1-month'],
    ['academy-aspen', 92, '92.4', 'academy-aspen-loss-within-3-months'],
    ['academy-aspen', 184, '89.9', 'academy-aspen-loss-within-6-months'],
    ['academy-aspen', 366, '79.9', 'academy-aspen-loss-within-1-year'],
    ['glim', 184, '94.9', 'glim-loss-within-6-months'],
    ['glim', 731, '89.9', 'glim-loss-beyond-6-months'],
    ['heart-failure', 1, '101.0', 'heart-failure-gain-within-1-day'],
    ['heart-failure', 7, '103.0', 'heart-failure-gain-within-1-week'],
  ])('of %s that ends %i days ago includes that day until its middle', (family, days, kg, id) => {
    const at = (elapsedMs: number) => reached(family, kg, [['w', '100.0', elapsedMs / DAY_MS]]);
    expect(at(days * DAY_MS)).toContain(`${id}: w`);
    expect(at(days * DAY_MS + 12 * HOUR_MS - 1)).toContain(`${id}: w`);
    expect(at(days * DAY_MS + 12 * HOUR_MS)).not.toContain(`${id}: w`);
  });

  it('"beyond 6 months" begins where "within 6 months" ends', () => {
    expect(reached('glim', '80.0', [['w', '100.0', 184]])).toEqual(['glim-loss-within-6-months: w']);
    expect(reached('glim', '80.0', [['w', '100.0', 185]])).toEqual(['glim-loss-beyond-6-months: w']);
  });

  it('begins now: a weight of ten minutes ago is in it', () => {
    expect(reached('heart-failure', '82.5', [['w', '80.0', 10 / (24 * 60)]])).toHaveLength(2);
  });
});

describe('newborns', () => {
  const baby = (ageDays: number, birthKg = '3.500'): PersonAtWeighing => ({
    ageMonths: 0,
    ageDays,
    birthWeight: { kg: decimal(birthKg), id: 'birth' },
  });

  it.each<[string, string[]]>([
    ['3.256', []],
    ['3.255', []], // 7 % exactly: the most that is allowed
    ['3.254', ['newborn-loss-7-percent: birth']],
    ['3.151', ['newborn-loss-7-percent: birth']],
    ['3.150', ['newborn-loss-7-percent: birth', 'newborn-loss-10-percent: birth']], // 10 % exactly
    ['3.600', []],
  ])('of 3.500 kg at birth and %s kg on day 3 reach %j', (kg, expected) => {
    expect(reached('newborn', kg, [], baby(3))).toEqual(expected);
  });

  it('are newborns through day 14', () => {
    expect([0, 14, 15].map((ageDays) => reached('newborn', '3.000', [], baby(ageDays)).length)).toEqual([2, 2, 0]);
  });

  it('are compared with the birth weight alone, and reach nothing without one', () => {
    const earlier: Old[] = [['d1', '3.9', 1]];
    expect(changes('3.400', earlier, baby(3))).toEqual([]);
    expect(changes('3.000', earlier, { ageMonths: 0, ageDays: 3 })).toEqual([]);
    expect(changes('3.000', earlier, baby(3, '0'))).toEqual([]);
    expect(changes('3.000', [], { ...baby(3), ageDays: undefined })).toEqual([]);
    expect(changes('3.000', [], { ...baby(3), ageDays: -1 })).toEqual([]);
  });
});

describe('who is concerned', () => {
  it('is an adult of 18, or somebody of unknown age, never a child', () => {
    const at = (about: PersonAtWeighing) => changes('80.0', [['w', '100.0', 30]], about).length;
    expect([at({ ageMonths: 215 }), at({ ageMonths: 216 }), at({}), at({ ageMonths: 5 }), at({ ageDays: 40 })]).toEqual([0, 5, 5, 0, 0]);
  });
});

describe('what is reported', () => {
  it('is the exact change with its sign, and a percentage to read', () => {
    const [loss] = changes('92.35', [['w', '100.0', 30]]);
    expect([toText(loss!.changeKg), loss!.percentText, loss!.earlierId]).toEqual(['-7.65', '7.7', 'w']);
    const [gain] = changes('106.25', [['w', '100.0', 30]]);
    expect([toText(gain!.changeKg), gain!.percentText]).toEqual(['6.25', '6.3']);
  });

  it('passes over weights that are not earlier, and weights of nothing', () => {
    const useless: Old[] = [
      ['now', '100.0', 0],
      ['later', '100.0', -30],
      ['none', '0.0', 30],
      ['less', '-100.0', 30],
    ];
    expect(changes('80.0', useless)).toEqual([]);
    expect(changes('0.0', [['w', '100.0', 30]])).toEqual([]);
  });

  it('is only what was asked for', () => {
    const asked = CHANGE_THRESHOLDS.filter(({ family }) => family === 'glim');
    const result = significantChanges({ kg: decimal('80'), atMs: NOW }, [old(['w', '100', 30])], ADULT, { thresholds: asked });
    expect(result.map(({ threshold }) => threshold.id)).toEqual(['glim-loss-within-6-months']);
  });

  it('leaves the list of earlier weights as it was', () => {
    const earlier = Object.freeze(
      [old(['a', '90', 40]), old(['b', '100', 20]), old(['c', '95', 30])].map(Object.freeze),
    ) as EarlierWeight[];
    expect(significantChanges({ kg: decimal('80'), atMs: NOW }, earlier, ADULT).length).toBeGreaterThan(0);
    expect(earlier.map(({ id }) => id)).toEqual(['a', 'b', 'c']);
  });
});

describe('the table', () => {
  it('has ids of their own, titles and sources', () => {
    expect(new Set(CHANGE_THRESHOLDS.map(({ id }) => id)).size).toBe(CHANGE_THRESHOLDS.length);
    expect(new Set(CHANGE_THRESHOLDS.map(({ title, family }) => family + title)).size).toBe(CHANGE_THRESHOLDS.length);
    expect(CHANGE_THRESHOLDS.filter(({ id }) => !/^[a-z0-9]+(-[a-z0-9]+)*$/.test(id))).toEqual([]);
    expect(CHANGE_THRESHOLDS.filter(({ source }) => source.length < 20)).toEqual([]);
    expect(new Set(CHANGE_THRESHOLDS.map(({ family }) => family))).toEqual(new Set(Object.keys(CHANGE_FAMILIES)));
  });

  it('reads as it is published', () => {
    expect(CHANGE_THRESHOLDS.map(({ id, title }) => `${id}: ${title}`)).toEqual([
      'long-term-care-loss-30-days: 5 % or more lost in 30 days',
      'long-term-care-loss-180-days: 10 % or more lost in 180 days',
      'long-term-care-gain-30-days: 5 % or more gained in 30 days',
      'long-term-care-gain-180-days: 10 % or more gained in 180 days',
      'glim-loss-within-6-months: more than 5 % lost within 6 months',
      'glim-loss-beyond-6-months: more than 10 % lost beyond 6 months',
      'academy-aspen-loss-within-1-week: more than 2 % lost within 1 week',
      'academy-aspen-loss-within-1-month: more than 5 % lost within 1 month',
      'academy-aspen-loss-within-3-months: more than 7.5 % lost within 3 months',
      'academy-aspen-loss-within-6-months: more than 10 % lost within 6 months',
      'academy-aspen-loss-within-1-year: more than 20 % lost within 1 year',
      'heart-failure-gain-within-1-day: more than 2 lb gained within 1 day',
      'heart-failure-gain-within-1-week: more than 5 lb gained within 1 week',
      'newborn-loss-7-percent: more than 7 % of birth weight lost',
      'newborn-loss-10-percent: 10 % or more of birth weight lost',
    ]);
  });
});
