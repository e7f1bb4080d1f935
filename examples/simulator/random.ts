/**
 * Small, seeded, repeatable: the same seed gives the same ward day on every machine.
 * The generator is mulberry32 (Tommy Ettinger, 2017, public domain); not for secrets.
 */
export interface Random {
  /** A whole number from `low` to `high`, both included. */
  whole(low: number, high: number): number;
  /** A generator of its own under this number, whatever was drawn before. */
  branch(number: number): Random;
}

export function seededRandom(seed: number): Random {
  let state = seed >>> 0;
  const next = (): number => {
    state = (state + 0x6d2b79f5) >>> 0;
    let mixed = Math.imul(state ^ (state >>> 15), state | 1);
    mixed ^= mixed + Math.imul(mixed ^ (mixed >>> 7), mixed | 61);
    return ((mixed ^ (mixed >>> 14)) >>> 0) / 4_294_967_296;
  };
  return {
    whole: (low, high) => low + Math.floor(next() * (high - low + 1)),
    branch: (number) => seededRandom(Math.imul(seed ^ Math.imul(number + 1, 0x9e3779b1), 0x85ebca6b)),
  };
}
