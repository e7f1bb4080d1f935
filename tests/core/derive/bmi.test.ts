import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { toText } from '../../../src/core/decimal.ts';
import { bodyMassIndex, deriveBmi, type NoBmiReason } from '../../../src/core/derive/bmi.ts';
import type { Reading } from '../../../src/core/reading.ts';
import { DEFAULT_POLICY } from '../../../src/core/policy.ts';
import { quantity, type UnitCode } from '../../../src/core/quantity.ts';
import { ADA, height, observation, policyWith, reading, weight, type Changes } from '../../measurements.ts';

const on = (effectiveDateTime: string, changes: Changes = {}): Changes => ({ effectiveDateTime, ...changes });
const w = (id: string, time = '2026-03-02T08:00:00Z', value = '80.0', changes: Changes = {}): Reading =>
  reading(weight(value, 'kg', on(time, changes)), id);
const h = (id: string, time: string, value = '160.0', changes: Changes = {}): Reading =>
  reading(height(value, 'cm', on(time, changes)), id);

/** `weight id: height id, value` for each BMI that ought to exist. */
function bmiOf(readings: readonly Reading[], birthDate: string | undefined = ADA.birthDate, policy = DEFAULT_POLICY): string[] {
  const person = birthDate === undefined ? {} : { birthDate };
  return deriveBmi(readings, person, policy).drafts.map(({ weight: of, height: by, valueText }) => `${of.id}: ${by.id}, ${valueText}`);
}

function reasonOf(readings: readonly Reading[], birthDate: string | undefined = ADA.birthDate): NoBmiReason | undefined {
  return deriveBmi(readings, birthDate === undefined ? {} : { birthDate }, DEFAULT_POLICY).without.get('w1');
}

describe('the value', () => {
  const q = (text: string, unit: UnitCode) => quantity(text, unit)!;

  it.each<[string, UnitCode, string, UnitCode, string]>([
    ['80.0', 'kg', '160.0', 'cm', '31.3'],
    ['80000', 'g', '160.0', 'cm', '31.3'],
    ['176.25', '[lb_av]', '63.000', '[in_i]', '31.2'],
    ['176.50', '[lb_av]', '63.000', '[in_i]', '31.3'],
    ['70.0', 'kg', '66.875', '[in_i]', '24.3'],
    ['150.25', '[lb_av]', '170.0', 'cm', '23.6'],
    ['3.455', 'kg', '50.0', 'cm', '13.8'],
  ])('of %s %s and %s %s is %s', (mass, massUnit, length, lengthUnit, value) => {
    expect(toText(bodyMassIndex(q(mass, massUnit), q(length, lengthUnit)))).toBe(value);
  });

  it('may be asked with as many decimals as somebody else sent', () => {
    expect([0, 2, 6].map((decimals) => toText(bodyMassIndex(q('70.0', 'kg'), q('170.0', 'cm'), decimals)))).toEqual([
      '24',
      '24.22',
      '24.221453',
    ]);
  });
});

describe('the height for a weight', () => {
  it('is the latest at or before it, also in the same second', () => {
    expect(
      bmiOf([w('w1'), h('h1', '2025-12-01T08:00:00Z'), h('h2', '2026-03-02T08:00:00Z', '161.0'), h('h3', '2026-03-02T08:00:01Z')]),
    ).toEqual(['w1: h2, 30.9']);
  });

  it('may be a year old for an adult, to the millisecond, and ninety days for a youth', () => {
    expect(bmiOf([w('w1'), h('h1', '2025-03-02T08:00:00Z')])).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([w('w1'), h('h1', '2025-03-02T07:59:59.999Z')])).toEqual([]);
    expect(bmiOf([w('w1'), h('h1', '2025-12-02T08:00:00Z')], '2012-01-01')).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([w('w1'), h('h1', '2025-12-02T07:59:59Z')], '2012-01-01')).toEqual([]);
    expect(bmiOf([w('w1'), h('h1', '2025-03-02T08:00:00Z')], undefined)).toEqual(['w1: h1, 31.3']);
  });

  it('follows the window that the policy sets', () => {
    expect(bmiOf([w('w1'), h('h1', '2026-02-20T08:00:00Z')], ADA.birthDate, policyWith({ 'bmi.heightWindowDays.adult': 7 }))).toEqual([]);
  });

  it('is the earliest within a day after it when there is none before', () => {
    const later = [h('h2', '2026-03-02T20:00:00Z', '161.0'), h('h1', '2026-03-02T10:00:00Z')];
    expect(bmiOf([w('w1'), ...later])).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([w('w1'), ...later, h('h0', '2026-02-01T08:00:00Z', '162.0')])).toEqual(['w1: h0, 30.5']);
    expect(bmiOf([w('w1'), h('h1', '2026-03-03T08:00:00Z')])).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([w('w1'), h('h1', '2026-03-03T08:00:01Z')])).toEqual([]);
  });

  it('of the same day, when only days are known, is one', () => {
    expect(bmiOf([w('w1', '2026-03-02'), h('h1', '2026-03-02T23:59:00Z')])).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([w('w1', '2026-03-02T00:30:00Z'), h('h1', '2026-03-02')])).toEqual(['w1: h1, 31.3']);
  });

  it('of one moment is the standing one, then the greater tie key, then the greater id, in any order', () => {
    const at = '2026-03-01T08:00:00Z';
    const named = (id: string, value: string, name: string): Reading => h(id, at, value, { identifier: [{ system: 's', value: name }] });
    const standing = reading(observation('8308-9', '160.0', 'cm', on(at)), 'h1');
    const lying = reading(observation('8306-3', '163.0', 'cm', on(at)), 'h2');
    const unsaid = h('h3', at, '161.0');
    for (const order of [
      [standing, lying, unsaid],
      [lying, unsaid, standing],
    ])
      expect(bmiOf([w('w1'), ...order])).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([w('w1'), lying, unsaid])).toEqual(['w1: h3, 30.9']);
    for (const order of [
      [named('h4', '161.0', 'b'), named('h5', '162.0', 'a')],
      [named('h5', '162.0', 'a'), named('h4', '161.0', 'b')],
    ])
      expect(bmiOf([w('w1'), ...order])).toEqual(['w1: h4, 30.9']);
    const twins = [h('h6', at), h('h7', at)];
    for (const order of [twins, [...twins].reverse()]) expect(bmiOf([w('w1'), ...order])).toEqual(['w1: h7, 31.3']);
  });
});

describe('no BMI', () => {
  const tall = h('h1', '2026-03-01T08:00:00Z');

  it.each<[string, Reading, NoBmiReason | undefined]>([
    ['a stated weight', reading(observation('3142-7', '80.0', 'kg'), 'w1'), 'not-measured'],
    ['an estimated weight', reading(observation('8335-2', '80.0', 'kg'), 'w1'), 'not-measured'],
    ['a birth weight', reading(observation('8339-4', '3.4', 'kg'), 'w1'), 'not-measured'],
    ['a preliminary weight', w('w1', undefined, undefined, { status: 'preliminary' }), 'not-measured'],
    ['a withdrawn weight', w('w1', undefined, undefined, { status: 'entered-in-error' }), 'not-measured'],
    ['a cancelled weight', w('w1', undefined, undefined, { status: 'cancelled' }), 'not-measured'],
    ['a weight of nothing', w('w1', undefined, '0.0'), 'not-measured'],
    ['a weight that was not taken', w('w1', undefined, undefined, { valueQuantity: undefined }), 'amount-absent'],
    ['a held weight, of which nothing is said', { ...w('w1'), held: true }, undefined],
  ])('follows from %s', (_what, one, reason) => {
    expect(bmiOf([one, tall])).toEqual([]);
    expect(reasonOf([one, tall])).toBe(reason);
  });

  it.each<[string, Reading]>([
    ['stated', reading(observation('3138-5', '160.0', 'cm'), 'h1')],
    ['estimated', reading(observation('8301-4', '160.0', 'cm'), 'h1')],
    ['withdrawn', h('h1', '2026-03-01T08:00:00Z', '160.0', { status: 'entered-in-error' })],
    ['preliminary', h('h1', '2026-03-01T08:00:00Z', '160.0', { status: 'preliminary' })],
    ['held', { ...tall, held: true }],
    ['zero', h('h1', '2026-03-01T08:00:00Z', '0.0')],
  ])('follows from a height that is %s', (_what, one) => {
    expect(bmiOf([w('w1'), one])).toEqual([]);
    expect(reasonOf([w('w1'), one])).toBe('no-height');
  });

  it('follows under two years, by the day', () => {
    const readings = [w('w1', '2026-03-02T08:00:00Z', '12.0'), h('h1', '2026-03-01T08:00:00Z', '86.0')];
    expect(reasonOf(readings, '2024-03-03')).toBe('under-age');
    expect(bmiOf(readings, '2024-03-02')).toEqual(['w1: h1, 16.2']);
  });

  it('follows when a year or month of birth leaves open whether the person is two', () => {
    const readings = [w('w1', '2026-03-02T08:00:00Z', '12.0'), h('h1', '2026-03-01T08:00:00Z', '86.0')];
    expect(reasonOf(readings, '2024')).toBe('under-age');
    expect(reasonOf(readings, '2024-03')).toBe('under-age');
    expect(bmiOf(readings, '2024-02')).toEqual(['w1: h1, 16.2']);
    expect(bmiOf(readings, undefined)).toEqual(['w1: h1, 16.2']);
  });
});

describe('amended and corrected readings', () => {
  it('count like final ones', () => {
    const readings = [
      w('w1', undefined, undefined, { status: 'amended' }),
      h('h1', '2026-03-01T08:00:00Z', '160.0', { status: 'corrected' }),
    ];
    expect(bmiOf(readings)).toEqual(['w1: h1, 31.3']);
  });
});

describe('the height for a weight, against a plain search of all heights', () => {
  const DAY = 86_400_000;
  const START = Date.parse('2026-03-01T00:00:00Z');
  const policy = policyWith({ 'bmi.heightWindowDays.adult': 3, 'bmi.laterHeightHours': 30 });
  const instants = fc.integer({ min: 0, max: 40 }).map((step) => new Date(START + step * 6 * 3_600_000).toISOString());

  /** Chosen by looking at every height, as the policy says it in words. */
  function plainly(of: Reading, heights: readonly Reading[]): string | undefined {
    const { startMs, endMs } = of.effective;
    const best = (some: readonly Reading[], latest: boolean): string | undefined => {
      const times = some.map(({ effective }) => effective.startMs);
      const wanted = latest ? Math.max(...times) : Math.min(...times);
      return some.filter(({ effective }) => effective.startMs === wanted).sort((a, b) => (a.tieKey < b.tieKey ? 1 : -1))[0]?.id;
    };
    const before = heights.filter(({ effective }) => effective.startMs <= endMs);
    const recent = before.filter(({ effective }) => effective.startMs >= startMs - 3 * DAY);
    if (recent.length > 0) return best(recent, true);
    return best(
      heights.filter(({ effective }) => effective.startMs > endMs && effective.startMs <= endMs + 30 * 3_600_000),
      false,
    );
  }

  it('is the same for any readings', () => {
    fc.assert(
      fc.property(fc.array(instants, { minLength: 1, maxLength: 6 }), fc.array(instants, { maxLength: 8 }), (weighed, measured) => {
        const heights = measured.map((time, index) => h(`h${index}`, time, `16${index}.0`));
        const weights = weighed.map((time, index) => w(`w${index}`, time));
        const { drafts } = deriveBmi([...heights, ...weights], {}, policy);
        const chosen = new Map(drafts.map(({ weight: of, height: by }) => [of.id, by.id]));
        for (const of of weights) expect(chosen.get(of.id)).toBe(plainly(of, heights));
      }),
      { numRuns: 500 },
    );
  });
});

describe('a height that claims to last', () => {
  it('is as old as its beginning', () => {
    const lasting = reading(
      height('160.0', 'cm', {
        effectiveDateTime: undefined,
        effectivePeriod: { start: '2024-01-01T08:00:00Z', end: '2026-03-02T07:00:00Z' },
      }),
      'h1',
    );
    expect(bmiOf([lasting, w('w1')])).toEqual([]);
  });
});

describe('a person of whom only the year of birth is known', () => {
  it('needs a recent height while they may be under twenty', () => {
    const old = h('h1', '2025-06-01T08:00:00Z');
    expect(bmiOf([old, w('w1')], '2021')).toEqual([]);
    expect(bmiOf([old, w('w1')], '2006')).toEqual([]);
    expect(bmiOf([old, w('w1')], '2005')).toEqual(['w1: h1, 31.3']);
  });
});

describe('an impossible BMI', () => {
  it('of a height of nearly nothing has more digits than a literal may have, and breaks nothing', () => {
    const set = deriveBmi([h('h1', '2026-03-01T08:00:00Z', '0.000000000000000000000000000001'), w('w1')], ADA, DEFAULT_POLICY);
    expect(set.drafts).toEqual([]);
    expect(set.without.get('w1')).toBe('impossible');
  });

  it('is never among those that ought to exist, whatever became of the reading that should have been held', () => {
    const set = deriveBmi([h('h1', '2026-03-01T08:00:00Z', '52.0'), w('w1', undefined, '90.0')], ADA, DEFAULT_POLICY);
    expect(set.drafts).toEqual([]);
    expect(set.impossible.map(({ valueText }) => valueText)).toEqual(['332.8']);
    expect(set.without.get('w1')).toBe('impossible');
  });
});

/** NHANES Body Measures documentation: weights of people with an amputation are set to missing. The rest is common practice, no source. */
describe('what a weight stands on', () => {
  const MORNING = h('h1', '2026-03-01T08:00:00Z');
  const told = (id: string, time: string, conditions: Reading['conditions'], changes: Partial<Reading> = {}): Reading => ({
    ...w(id, time),
    ...(conditions && { conditions }),
    ...changes,
  });
  const days = (id: string, day: string, conditions?: Reading['conditions'], changes?: Partial<Reading>) =>
    told(id, `2026-03-${day}T08:00:00Z`, conditions, changes);

  it('ends ordinary BMI with the first amputation that is told of, and not before it, in any order of arrival', () => {
    const readings = [MORNING, days('w1', '02'), days('w2', '03', ['amputation']), days('w3', '04'), days('w4', '05', ['prosthesis'])];
    expect(bmiOf(readings)).toEqual(['w1: h1, 31.3']);
    expect(bmiOf([...readings].reverse())).toEqual(['w1: h1, 31.3']);
    const { without } = deriveBmi(readings, ADA, DEFAULT_POLICY);
    expect(['w2', 'w3', 'w4'].map((id) => without.get(id))).toEqual(['amputation', 'amputation', 'amputation']);
  });

  it.each<[string, Partial<Reading>, readonly string[]]>([
    ['held', { held: true }, []],
    ['without a number', { status: 'cancelled' }, []],
    ['withdrawn', { status: 'entered-in-error' }, ['w3: h1, 31.3']],
  ])('counts an amputation on a reading that is %s', (_what, changes, expected) => {
    const found = bmiOf([MORNING, days('w2', '03', ['amputation'], changes), days('w3', '04')]);
    expect(found.filter((line) => line.startsWith('w3'))).toEqual(expected);
  });

  it('counts an amputation that was told of with a height', () => {
    expect(bmiOf([{ ...MORNING, conditions: ['amputation'] }, days('w1', '02')])).toEqual([]);
  });

  it.each<[NonNullable<Reading['conditions']>, Parameters<typeof policyWith>[0], NoBmiReason | undefined]>([
    [['cast'], {}, undefined],
    [['prosthesis'], {}, undefined],
    [['oedema'], {}, undefined],
    [['after-dialysis'], {}, undefined],
    [['equipment-on-bed'], {}, 'condition'],
    [['amputation'], {}, 'amputation'],
    [['amputation'], { 'bmi.withAmputation': true }, undefined],
    [['cast'], { 'bmi.withCastOrProsthesis': false }, 'condition'],
    [['prosthesis'], { 'bmi.withCastOrProsthesis': false }, 'condition'],
    [['oedema'], { 'bmi.withOedema': false }, 'condition'],
    [['before-dialysis'], { 'bmi.withOedema': false }, 'condition'],
    [['after-dialysis'], { 'bmi.withOedema': false }, undefined],
    [['equipment-on-bed'], { 'bmi.withEquipmentOnBed': true }, undefined],
  ])('leaves no BMI or one, as the policy says: %j with %j gives %s', (conditions, values, reason) => {
    const { without } = deriveBmi([MORNING, days('w1', '02', conditions)], ADA, policyWith(values));
    expect(without.get('w1')).toBe(reason);
  });
});
