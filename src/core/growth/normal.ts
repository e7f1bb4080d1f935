/**
 * The standard normal distribution: probabilities from z-scores and back.
 *
 * Transcendental, hence binary floating point. Both directions are good to about 1e-15 in the
 * smaller tail; nothing is rounded here.
 */

/** Up to here the series is short and loses no digit; beyond it the fraction converges fast. */
const SERIES_UP_TO = 2.5;
/** At 2.5 the fraction has settled in the last bit after some 70 steps, further out much earlier. */
const FRACTION_STEPS = 120;
/** Two steps of third order take 4.5e-4 to the last bit; the third one is for the far tail. */
const REFINEMENTS = 3;

/** Height of the bell curve at `z`. */
function density(z: number): number {
  return Math.exp((-z * z) / 2) / Math.sqrt(2 * Math.PI);
}

/**
 * Probability of a value above `z`, exact in relative terms far into the tail, where one minus
 * the probability below has no digits left. 0 at Infinity, 1 at -Infinity.
 */
export function upperTail(z: number): number {
  if (z < 0) return 1 - upperTail(-z);
  return z <= SERIES_UP_TO ? 0.5 - centralArea(z) : density(z) / millsFraction(z);
}

/** Probability of a value below `z`: the cumulative distribution function, often written as Phi. */
export function lowerTail(z: number): number {
  return upperTail(-z);
}

/**
 * Area between 0 and `z`: density times z + z^3/3 + z^5/(3*5) + ...
 * Source: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.2.11.
 */
function centralArea(z: number): number {
  let term = z;
  let sum = 0;
  for (let odd = 3; sum + term !== sum; odd += 2) {
    sum += term;
    term *= (z * z) / odd;
  }
  return density(z) * sum;
}

/**
 * The continued fraction z + 1/(z + 2/(z + 3/(z + ...))), by which the density is divided.
 * Source: Abramowitz and Stegun (1964), 26.2.14.
 */
function millsFraction(z: number): number {
  let fraction = z;
  for (let step = FRACTION_STEPS; step >= 1; step -= 1) fraction = z + step / fraction;
  return fraction;
}

/**
 * The z with probability `p` below it. -Infinity at 0, Infinity at 1, NaN outside 0 to 1.
 *
 * A rational first guess, good to 4.5e-4 (Abramowitz and Stegun (1964), 26.2.23), is refined by
 * Halley's method against the tail.
 */
export function quantile(p: number): number {
  return p > 0.5 ? upperQuantile(1 - p) : -upperQuantile(p);
}

/** The z with probability `q` above it: keeps the digits that 1 - q would lose. */
export function upperQuantile(q: number): number {
  if (q > 0.5) return -upperQuantile(1 - q);
  if (!(q >= 0)) return NaN;
  if (q === 0) return Infinity;
  let z = firstGuess(q);
  for (let step = 0; step < REFINEMENTS; step += 1) {
    const miss = (upperTail(z) - q) / density(z);
    z += miss / (1 + (z * miss) / 2);
  }
  return z;
}

function firstGuess(q: number): number {
  const t = Math.sqrt(-2 * Math.log(q));
  return t - (2.515517 + 0.802853 * t + 0.010328 * t * t) / (1 + 1.432788 * t + 0.189269 * t * t + 0.001308 * t * t * t);
}
