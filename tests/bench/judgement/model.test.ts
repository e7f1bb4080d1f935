/** The generated series: repeatable, conforming, on their grids, and as the stated sources have it. */
import { describe, expect, it } from 'vitest';
import { conformObservation } from '../../../src/core/conform.ts';
import { decimal, isMultipleOf } from '../../../src/core/decimal.ts';
import { toReading } from '../../../src/core/observation.ts';
import { arrived } from '../../arrived.ts';
import { CHILD_HEIGHT, CHILD_WEIGHT, grown, INFANT_LENGTH, INFANT_WEIGHT } from './growth-figures.ts';
import { inBase, instrument, INSTRUMENTS, largestErrorInService, type InstrumentName } from './instruments.ts';
import { MODELS } from './model.ts';
import { STATED } from './parameters.ts';
import { interpolate, inventAdult } from './population.ts';
import { seededRandom } from './random.ts';
import { DAY_MS, eventsOf, GROUPS, HOUR_MS, toObservation, type Group, type Measurement, type Series } from './series.ts';

function people(group: Group, count: number, seed = 1): Series[] {
  return Array.from({ length: count }, (_, index) => MODELS[group](seed, index + 1));
}

function weightsOf({ measurements }: Series): Measurement[] {
  return measurements.filter(({ of }) => of === 'weight');
}

const inKilograms = ({ shown }: Measurement): number => Number(shown.digits) * inBase(shown.unit);

describe.each(GROUPS)('a series of %s', (group) => {
  const some = people(group, 6);

  it('is the same for the same seed and number, and another for others', () => {
    const texts = (seed: number): string[] => people(group, 3, seed).map((series) => JSON.stringify(series.measurements));
    expect(texts(1)).toEqual(texts(1));
    expect(new Set([...texts(1), ...texts(2)]).size).toBe(6);
    expect(MODELS[group](1, 2)).toEqual(some[1]);
  });

  it('has readings that conform and decode, digits and all', () => {
    for (const measurement of some.flatMap(({ measurements }) => measurements)) {
      const { tree, text } = arrived(toObservation(measurement));
      const conformed = conformObservation(tree);
      expect(conformed.ok && conformed.resource).toEqual(tree);
      expect(text).toContain(`"value":${measurement.shown.digits},`);
      const reading = conformed.ok && toReading(conformed.resource, { id: 'r', version: 1, person: 'p' });
      expect(reading && reading.quantity?.text).toBe(measurement.shown.digits);
    }
  });

  it('shows whole numbers of the division of its scale, in its unit', () => {
    for (const { instrument: name, shown, gross, tare } of some.flatMap(({ measurements }) => measurements)) {
      const { division, unit } = INSTRUMENTS[name];
      for (const amount of [shown, gross, tare]) {
        if (amount === undefined) continue;
        expect(amount.unit).toBe(unit);
        expect(isMultipleOf(decimal(amount.digits), decimal(division)), `${amount.digits} in steps of ${division}`).toBe(true);
      }
    }
  });

  it('is in order of time, each reading under a key of its own', () => {
    for (const { measurements } of some) {
      const times = measurements.map(({ atMs }) => atMs);
      expect(times).toEqual([...times].sort((a, b) => a - b));
    }
    const keys = some.flatMap(({ measurements }) => measurements.map(({ key }) => key));
    expect(new Set(keys).size).toBe(keys.length);
  });

  it('shows weights near what stood on the scale', () => {
    const far = group === 'in-bed' ? 3 : group === 'wheelchair' ? 2.5 : group === 'growing-children' ? 4 : 0.8;
    for (const measurement of some.flatMap(weightsOf)) {
      const { body, worn } = measurement.truth;
      expect(Math.abs(inKilograms(measurement) - body - worn)).toBeLessThan(far);
    }
  });

  it('tells of scales and person first, and of a checked zero before the first weight of a day', () => {
    const [one] = some as [Series];
    const known = new Set<string>();
    let zeroMs = -Infinity;
    for (const event of eventsOf([one])) {
      if (event.kind === 'put') {
        known.add(`${event.put.type}/${event.put.resource.id}`);
        const [{ type, time } = { type: '', time: '' }] = (event.put.resource['calibration'] ?? []) as { type: string; time: string }[];
        if (type === 'offset') zeroMs = Date.parse(time);
        continue;
      }
      const { measurement } = event;
      expect(known).toContain(`Device/${measurement.instrument}`);
      expect(known).toContain(`DeviceMetric/${measurement.instrument}-metric`);
      expect(known).toContain(`Patient/${measurement.person}`);
      if (measurement.of === 'height') continue;
      expect(measurement.atMs - zeroMs).toBeGreaterThan(0);
      expect(measurement.atMs - zeroMs).toBeLessThan(DAY_MS);
    }
    expect(eventsOf([one]).filter(({ kind }) => kind === 'measured')).toHaveLength(one.measurements.length);
  });
});

describe('the model', () => {
  it('says where each of its numbers comes from', () => {
    for (const [name, { means, source }] of Object.entries(STATED)) {
      expect(means.length, name).toBeGreaterThan(4);
      expect(source, name).toMatch(/common practice, no source|from memory|abstract|\b(19|20)\d\d\b/);
    }
  });

  // the stated source: day-to-day changes of 0.5 kg or more in 32 %, of 1.0 kg or more in 6.2 % of days (young adults, taken as 70 kg)
  it('has healthy adults of about 70 kg change from day to day as the source says', () => {
    const changes = people('healthy-adults', 500).flatMap((series) => {
      const mornings = weightsOf(series).filter(({ truth }) => truth.body > 66 && truth.body < 74);
      return mornings.slice(1).flatMap((now, index) => {
        const before = mornings[index] as Measurement;
        return Math.abs(now.atMs - before.atMs - DAY_MS) < 4 * HOUR_MS ? [Math.abs(now.truth.body - before.truth.body)] : [];
      });
    });
    const share = (least: number): number => changes.filter((change) => change >= least).length / changes.length;
    expect(changes.length).toBeGreaterThan(2000);
    expect(share(0.5)).toBeGreaterThan(0.28);
    expect(share(0.5)).toBeLessThan(0.38);
    expect(share(1)).toBeGreaterThan(0.04);
    expect(share(1)).toBeLessThan(0.09);
  });

  it('takes 1.5 to 4 kg off in a dialysis session, within hours, 2 to 3.5 kg on average', () => {
    const sessions = people('dialysis', 10).flatMap((series) => {
      const weights = weightsOf(series);
      return weights.flatMap((after, index) => {
        const before = weights[index - 1];
        return index % 2 === 1 && before
          ? [{ hours: (after.atMs - before.atMs) / HOUR_MS, off: before.truth.body - after.truth.body }]
          : [];
      });
    });
    expect(sessions).toHaveLength(390);
    for (const { hours, off } of sessions) {
      expect(hours).toBeGreaterThan(3.5);
      expect(hours).toBeLessThan(5.2);
      expect(off).toBeGreaterThan(1.49);
      expect(off).toBeLessThan(4.01);
    }
    const mean = sessions.reduce((total, { off }) => total + off, 0) / sessions.length;
    expect(mean).toBeGreaterThan(2);
    expect(mean).toBeLessThan(3.5);
  });

  it('fills and empties people with heart failure by 1 to 6 kg', () => {
    for (const series of people('heart-failure', 10)) {
      const bodies = weightsOf(series).map(({ truth }) => truth.body);
      const range = Math.max(...bodies) - Math.min(...bodies);
      expect(range).toBeGreaterThan(1);
      expect(range).toBeLessThan(6 + 0.2 * Math.min(...bodies));
    }
  });

  it('lets newborns lose some 1 to 12 % of birth weight in the first days and gain it again', () => {
    for (const series of people('infants', 20)) {
      const weights = weightsOf(series).map(({ truth }) => truth.body);
      const [birth, ...later] = weights as [number, ...number[]];
      const lowest = Math.min(...later);
      expect(lowest / birth).toBeGreaterThan(0.87);
      expect(lowest / birth).toBeLessThan(1);
      expect(later[10]).toBeGreaterThan(birth);
    }
  });

  it('weighs in a wheelchair so that gross less tare is net to the digit', () => {
    for (const { shown, gross, tare } of people('wheelchair', 6).flatMap(weightsOf)) {
      expect(Math.round(10 * Number(gross?.digits)) - Math.round(10 * Number(tare?.digits))).toBe(Math.round(10 * Number(shown.digits)));
    }
  });
});

describe('growth figures', () => {
  // CDC 2000 wtage and statage, WHO 2006 wfa and lhfa: medians as published, rounded
  it.each([
    ['boys at 4 years, weight', CHILD_WEIGHT.male, 48.5, 16.32],
    ['girls at 12 years, height', CHILD_HEIGHT.female, 144.5, 151.49],
    ['boys at birth, weight', INFANT_WEIGHT.male, 0, 3.346],
    ['girls at a year, length', INFANT_LENGTH.female, 365, 74.01],
  ])('have the published median of %s', (_, curve, age, median) => {
    expect(grown(curve, age, 0)).toBeCloseTo(median, 1);
  });

  // CDC 2000 wtage, boys of 48.5 months, published percentile P95: 19.85 kg is z 1.645
  it('reach the published percentiles by L, M and S', () => {
    const { male } = CHILD_WEIGHT;
    expect(grown(male, 48.5, 1.645)).toBeGreaterThan(19.5);
    expect(grown(male, 48.5, 1.645)).toBeLessThan(20.6);
    expect(grown(male, 48.5, -1.645)).toBeLessThan(14);
  });

  it('rise without a jump between the rows', () => {
    for (const curve of [CHILD_HEIGHT.male, CHILD_WEIGHT.female]) {
      for (let months = 24; months < 216; months += 0.5) {
        const step = grown(curve, months + 0.5, 0) - grown(curve, months, 0);
        expect(step).toBeGreaterThan(0);
        expect(step).toBeLessThan(0.6);
      }
    }
  });
});

describe('an instrument', () => {
  // OIML R 76-1, class III, in service: 0.1 kg steps at 10, 40, 70, 120 and 250 kg
  it.each([
    [10, 0.1],
    [40, 0.1],
    [70, 0.2],
    [120, 0.2],
    [250, 0.3],
  ])('may be off at %d kg by %d kg', (load, error) => {
    expect(largestErrorInService(load, 0.1)).toBeCloseTo(error, 10);
  });

  it('is off by no more than its class allows, its repeats and its rounding apart', () => {
    const scales = Object.keys(INSTRUMENTS).filter((name) => INSTRUMENTS[name as InstrumentName].method === 'standing-scale');
    const random = seededRandom(9);
    for (const name of scales as InstrumentName[]) {
      const { unit } = INSTRUMENTS[name];
      const step = Number(INSTRUMENTS[name].division) * inBase(unit);
      const shown = Array.from({ length: 200 }, () => Number(instrument(1, name).show(80, random).digits) * inBase(unit));
      const mean = shown.reduce((total, value) => total + value) / shown.length;
      expect(Math.abs(mean - 80)).toBeLessThanOrEqual(largestErrorInService(80, step) + step / 4);
    }
  });
});

describe('the bodies of adults', () => {
  const bmiOf = (part: 'all' | 'middle' | 'extremes', count: number): number[] => {
    const random = seededRandom(7, part);
    return Array.from({ length: count }, () => {
      const { weightKg, heightCm } = inventAdult(random, [20, 90], part);
      return weightKg / (heightCm / 100) ** 2;
    });
  };

  // NHANES 2017-2018, adults: BMI 17.9 at 1 %, 28.6 at 50 %, 53.5 at 99 %, 0.4 % above 60
  it('have the BMI of the survey', () => {
    const bmi = bmiOf('all', 20_000).sort((a, b) => a - b);
    expect(Math.abs((bmi[200] as number) - 17.9)).toBeLessThan(0.3);
    expect(Math.abs((bmi[10_000] as number) - 28.6)).toBeLessThan(0.4);
    expect(Math.abs((bmi[19_800] as number) - 53.5)).toBeLessThan(1.5);
    expect(bmi.filter((value) => value > 60).length / bmi.length).toBeLessThan(0.006);
  });

  it('are of the middle 98 % or of the hundredths at either end', () => {
    // 1st and 99th percentiles: men 18.0 and 50.4, women 17.8 and 54.2
    for (const value of bmiOf('middle', 2000)) expect(value > 17.79 && value < 54.21).toBe(true);
    const extremes = bmiOf('extremes', 2000);
    for (const value of extremes) expect(value < 18.01 || value > 50.39).toBe(true);
    expect(extremes.filter((value) => value > 50).length / extremes.length).toBeCloseTo(0.5, 1);
  });
});

it('interpolates between points and stays at the ends beyond them', () => {
  const points = [
    [0, 1],
    [2, 5],
    [4, 5],
  ] as const;
  expect([-1, 0, 1, 2, 3, 9].map((x) => interpolate(points, x))).toEqual([1, 1, 3, 5, 5, 5]);
});
