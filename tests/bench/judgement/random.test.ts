/** The generator gives what its published algorithms give, and the deviates have the moments they should. */
import { describe, expect, it } from 'vitest';
import { seededRandom, splitMix64, xoshiro128PlusPlus } from './random.ts';

function outputs<Value>(next: () => Value, count: number): Value[] {
  return Array.from({ length: count }, next);
}

describe('SplitMix64', () => {
  // the values of the Rosetta Code task "Pseudo-random numbers/Splitmix64"
  it('gives the published outputs from 1234567', () => {
    expect(outputs(splitMix64(1234567n), 5)).toEqual([
      6457827717110365317n,
      3203168211198807973n,
      9817491932198370423n,
      4593380528125082431n,
      16408922859458223821n,
    ]);
  });
});

describe('xoshiro128++', () => {
  it('gives rotl(s0 + s3, 7) + s0 first: 641 from 1, 2, 3, 4', () => {
    expect(xoshiro128PlusPlus([1, 2, 3, 4])()).toBe((5 << 7) + 1);
  });

  // php-src, ext/random/tests/02_engine/user_xoshiro128plusplus.phpt: the bytes fa 3c 87 2c, the lowest first
  it('gives the published output after 102,400 steps from 1, 2, 3, 4', () => {
    const next = xoshiro128PlusPlus([1, 2, 3, 4]);
    outputs(next, 102_400);
    expect(next()).toBe(0x2c873cfa);
  });
});

describe('a seeded generator', () => {
  it('repeats itself for the same keys and for no others', () => {
    const first = (...keys: (number | string)[]): number[] => outputs(seededRandom(...keys).uniform, 4);
    expect(first(1, 'infants', 7)).toEqual(first(1, 'infants', 7));
    const others = [first(1, 'infants', 8), first(2, 'infants', 7), first(1, 'infant', 7), first('ab', 'c'), first('a', 'bc'), first(1, 7)];
    expect(new Set([first(1, 'infants', 7), ...others].map(String)).size).toBe(7);
  });

  it('is uniform from 0 to below 1', () => {
    const drawn = outputs(seededRandom(3).uniform, 40_000);
    expect(Math.min(...drawn)).toBeGreaterThanOrEqual(0);
    expect(Math.max(...drawn)).toBeLessThan(1);
    const tenths = Array.from({ length: 10 }, (_, tenth) => drawn.filter((value) => Math.floor(value * 10) === tenth).length);
    // the standard deviation of each count is 60
    for (const count of tenths) expect(Math.abs(count - 4000)).toBeLessThan(300);
  });

  it('draws whole numbers with both ends', () => {
    const random = seededRandom(4);
    expect([...new Set(outputs(() => random.whole(-1, 2), 200))].sort()).toEqual([-1, 0, 1, 2]);
  });

  it('draws normal deviates with the shares of the normal distribution', () => {
    const random = seededRandom(5);
    const drawn = outputs(() => random.normal(10, 2), 40_000);
    const within = (sds: number): number => drawn.filter((value) => Math.abs(value - 10) <= 2 * sds).length / drawn.length;
    expect(drawn.reduce((total, value) => total + value) / drawn.length).toBeCloseTo(10, 1);
    expect(within(1)).toBeCloseTo(0.6827, 2);
    expect(within(2)).toBeCloseTo(0.9545, 2);
    expect(within(3)).toBeCloseTo(0.9973, 2);
  });
});
