/**
 * Seeded randomness for the generated series: the same keys give the same numbers.
 *
 * The generator is xoshiro128++ 1.0 (D. Blackman, S. Vigna, "Scrambled linear pseudorandom number
 * generators", ACM Transactions on Mathematical Software 2021;47:36), its state filled by SplitMix64
 * (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014) as its authors advise. Normal deviates are made
 * by the method of G. E. P. Box and M. E. Muller (Annals of Mathematical Statistics 1958;29:610-611).
 */

export interface Random {
  /** 0 included, 1 excluded. */
  readonly uniform: () => number;
  between(low: number, high: number): number;
  /** A whole number, both ends included. */
  whole(low: number, high: number): number;
  normal(mean: number, standardDeviation: number): number;
  /** True in this share of draws, 0 to 1. */
  chance(share: number): boolean;
  pick<Item>(items: readonly Item[]): Item;
}

const MASK_64 = (1n << 64n) - 1n;
const GOLDEN = 0x9e3779b97f4a7c15n;

/** The 64-bit outputs of SplitMix64 from a starting state. */
export function splitMix64(start: bigint): () => bigint {
  let state = start & MASK_64;
  return () => {
    state = (state + GOLDEN) & MASK_64;
    let mixed = state;
    mixed = ((mixed ^ (mixed >> 30n)) * 0xbf58476d1ce4e5b9n) & MASK_64;
    mixed = ((mixed ^ (mixed >> 27n)) * 0x94d049bb133111ebn) & MASK_64;
    return mixed ^ (mixed >> 31n);
  };
}

/** The 32-bit outputs of xoshiro128++ from a state that is not all zero. */
export function xoshiro128PlusPlus(start: readonly [number, number, number, number]): () => number {
  let [a, b, c, d] = start;
  return () => {
    const result = (rotated((a + d) | 0, 7) + a) >>> 0;
    const shifted = b << 9;
    c ^= a;
    d ^= b;
    b ^= c;
    a ^= d;
    c ^= shifted;
    d = rotated(d, 11);
    return result;
  };
}

function rotated(word: number, by: number): number {
  return (word << by) | (word >>> (32 - by));
}

/** A generator of its own for these keys: whole numbers of zero or more, or texts. */
export function seededRandom(...keys: readonly (number | string)[]): Random {
  const words = splitMix64(keys.reduce(fold, 0n));
  const [first, second] = [words(), words()];
  const low = (word: bigint): number => Number(word & 0xffffffffn);
  const next = xoshiro128PlusPlus([low(first), low(first >> 32n), low(second), low(second >> 32n)]);
  const uniform = (): number => next() / 4_294_967_296;
  return {
    uniform,
    between: (from, to) => from + (to - from) * uniform(),
    whole: (from, to) => from + Math.floor(uniform() * (to - from + 1)),
    normal: (mean, standardDeviation) => {
      const radius = Math.sqrt(-2 * Math.log(1 - uniform())); // 1 - uniform is never zero
      return mean + standardDeviation * radius * Math.cos(2 * Math.PI * uniform());
    },
    chance: (share) => uniform() < share,
    pick: <Item>(items: readonly Item[]): Item => items[Math.floor(uniform() * items.length)] as Item,
  };
}

/** Takes a key into the state; its length goes in too, so that ('ab', 'c') is not ('a', 'bc'). */
function fold(state: bigint, key: number | string): bigint {
  const parts = typeof key === 'number' ? [key] : Array.from(key, (letter) => letter.codePointAt(0) as number);
  return [...parts, parts.length].reduce((folded, part) => splitMix64(folded ^ BigInt(part))(), state);
}
