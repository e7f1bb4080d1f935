import { describe, expect, it } from 'vitest';
import { ratioError, wilsonInterval } from './interval.ts';

describe("Wilson's interval", () => {
  // Newcombe, Stat Med 1998;17:857-872, Table I, method 3 (from memory)
  it.each([
    [81, 263, 0.2553, 0.3662],
    [15, 148, 0.0624, 0.1605],
    [0, 20, 0, 0.1611],
    [1, 29, 0.0061, 0.1718],
  ])('of %i in %i goes from %f to %f', (found, of, low, high) => {
    const interval = wilsonInterval(found, of);
    expect(interval.low).toBeCloseTo(low, 4);
    expect(interval.high).toBeCloseTo(high, 4);
  });

  it('is the mirror image for those not found, and says nothing of nobody', () => {
    const [found, others] = [wilsonInterval(3, 40), wilsonInterval(37, 40)];
    expect(others.low).toBeCloseTo(1 - found.high, 12);
    expect(others.high).toBeCloseTo(1 - found.low, 12);
    expect(wilsonInterval(20, 20).high).toBe(1);
    expect(wilsonInterval(0, 0)).toEqual({ low: 0, high: 1 });
  });
});

describe('the error of a share over people', () => {
  it('is that of single draws when everybody brings one measurement', () => {
    // 3 alarmed of 12 people: the square root of 0.25 times 0.75 over 12
    const over = { alarmsSquared: 3, alarmsTimesMeasurements: 3, measurementsSquared: 12 };
    expect(ratioError(0.25, 12, over)).toBeCloseTo(Math.sqrt((0.25 * 0.75) / 12), 12);
  });

  it('is larger when the alarms are all of one person, and none when all have the same share', () => {
    // 4 people of 10 measurements each: one always alarmed; or each alarmed in 2 of 10
    expect(ratioError(0.25, 40, { alarmsSquared: 100, alarmsTimesMeasurements: 100, measurementsSquared: 400 })).toBeCloseTo(0.2165, 4);
    expect(ratioError(0.2, 40, { alarmsSquared: 16, alarmsTimesMeasurements: 80, measurementsSquared: 400 })).toBeCloseTo(0, 6);
    expect(ratioError(0, 0, { alarmsSquared: 0, alarmsTimesMeasurements: 0, measurementsSquared: 0 })).toBe(1);
  });
});
