/**
 * BMI as a pure function of a person's readings: the whole set that ought to exist.
 *
 * Each measured weight has at most one BMI, from the height that the policy chooses for it.
 * Nothing depends on the order in which readings arrived, so a late height, a correction or a
 * resend leaves exactly what a recomputation from scratch gives.
 */
import { ADULT_FROM_MONTHS, ageBand } from '../age-bands.ts';
import type { Condition } from '../conditions.ts';
import { compare, decimal, divideHalfUp, multiply, toText, type Decimal } from '../decimal.ts';
import { ageAt, DAY_MS, HOUR_MS, type Age } from '../fhir-time.ts';
import type { Policy } from '../policy.ts';
import { inBaseUnit, type Quantity } from '../quantity.ts';
import { isUsable, type PersonFacts, type Reading } from '../reading.ts';
import { byTime } from '../serial/order.ts';
import type { Measured } from '../terminology.ts';

export type UsableReading = Reading & { readonly quantity: Quantity };

/** A BMI that ought to exist: kg/m2 with one decimal, for the time of the weight. */
export interface BmiDraft {
  readonly weight: UsableReading;
  readonly height: UsableReading;
  readonly value: Decimal;
  readonly valueText: string;
  /** The height is an estimate, since nobody could measure one. */
  readonly isEstimated?: true;
}

export type NoBmiReason = 'not-measured' | 'under-age' | 'no-height' | 'amount-absent' | 'impossible' | 'amputation' | 'condition';

export interface BmiSet {
  readonly drafts: readonly BmiDraft[];
  /** Outside what a BMI can be at the age: never published, whatever the rules are set to do. */
  readonly impossible: readonly BmiDraft[];
  /** Why a weight has none, by weight id; only weights that could have had one. */
  readonly without: ReadonlyMap<string, NoBmiReason>;
}

const SQUARE_CENTIMETRES_PER_SQUARE_METRE = decimal('10000');

/**
 * kg / m2 from unrounded native values, exact factors, rounded half up to `decimals` once.
 *
 * Source: CDC/NCHS, NHANES Body Measures documentation (BMXBMI: kilograms divided by metres
 * squared, rounded to one decimal); 80.0 kg and 160.0 cm give 31.3, not the 31.2 of binary
 * arithmetic.
 */
export function bodyMassIndex(weight: Pick<Quantity, 'value' | 'unit'>, height: Pick<Quantity, 'value' | 'unit'>, decimals = 1): Decimal {
  const kilograms = inBaseUnit(weight);
  const centimetres = inBaseUnit(height);
  return divideHalfUp(multiply(kilograms, SQUARE_CENTIMETRES_PER_SQUARE_METRE), multiply(centimetres, centimetres), decimals);
}

/**
 * The set of BMI that ought to exist for these readings of one person.
 *
 * @param estimates estimated heights that may serve where no measured one does, oldest first
 */
export function deriveBmi(
  readings: readonly Reading[],
  person: Pick<PersonFacts, 'birthDate'>,
  policy: Policy,
  estimates: readonly UsableReading[] = [],
): BmiSet {
  const heights = readings
    .filter((reading) => reading.of === 'height')
    .filter(isUsable)
    .filter(isPositive)
    .sort(byTime);
  const drafts: BmiDraft[] = [];
  const impossible: BmiDraft[] = [];
  const amputatedFromMs = firstAmputation(readings);
  const without = new Map<string, NoBmiReason>();
  for (const weight of readings) {
    if (weight.of !== 'weight' || weight.held || weight.repeatOf !== undefined) continue;
    const measured = bmiFor(weight, heights, amputatedFromMs, person, policy);
    const result = measured === 'no-height' ? fromEstimate(bmiFor(weight, estimates, amputatedFromMs, person, policy)) : measured;
    if (typeof result === 'string') without.set(weight.id, result);
    else if (isPossible(result, person, policy)) drafts.push(result);
    else {
      impossible.push(result);
      without.set(weight.id, 'impossible');
    }
  }
  return { drafts, impossible, without };
}

function fromEstimate(result: BmiDraft | NoBmiReason): BmiDraft | NoBmiReason {
  return typeof result === 'string' ? result : { ...result, isEstimated: true };
}

/**
 * BMI that a reading would be an input of, seen from the accepted readings up to its own time: the
 * one of a weight, or those of the weights just before a height.
 */
export function bmiCandidates(
  reading: UsableReading,
  accepted: Readonly<Record<Measured, readonly UsableReading[]>>,
  person: Pick<PersonFacts, 'birthDate'>,
  policy: Policy,
): Pick<BmiSet, 'drafts' | 'impossible'> {
  const amputatedFromMs = Math.min(...[accepted.weight, accepted.height, [reading]].map(firstAmputation));
  const results =
    reading.of === 'weight'
      ? [bmiFor(reading, accepted.height, amputatedFromMs, person, policy)]
      : weightsAwaiting(reading, accepted.weight, policy)
          .map((weight) => bmiFor(weight, [...accepted.height, reading], amputatedFromMs, person, policy))
          .filter((result) => typeof result !== 'string' && result.height.id === reading.id);
  const made = results.filter((result) => typeof result !== 'string');
  return {
    drafts: made.filter((draft) => isPossible(draft, person, policy)),
    impossible: made.filter((draft) => !isPossible(draft, person, policy)),
  };
}

/** Weights shortly before a height, and those of its day without a time. */
function weightsAwaiting(height: UsableReading, weights: readonly UsableReading[], { values }: Policy): UsableReading[] {
  const earliest = height.effective.startMs - Math.max(values['bmi.laterHeightHours'] * HOUR_MS, DAY_MS);
  const first = weights.findLastIndex(({ effective }) => effective.startMs < earliest) + 1;
  return weights.slice(first);
}

function bmiFor(
  weight: Reading,
  heights: readonly UsableReading[],
  amputatedFromMs: number,
  { birthDate }: Pick<PersonFacts, 'birthDate'>,
  policy: Policy,
): BmiDraft | NoBmiReason {
  if (weight.quantity === undefined) return 'amount-absent';
  if (!isUsable(weight) || !isPositive(weight)) return 'not-measured';
  const age = birthDate === undefined ? undefined : ageAt(birthDate, weight.effective.startMs);
  if (age !== undefined && age.youngestMonths < policy.values['bmi.minimumAgeMonths']) return 'under-age';
  const suppressed = suppressedBy(weight, amputatedFromMs, policy);
  if (suppressed) return suppressed;
  const height = chooseHeight(weight, heights, heightWindowDays(age, policy), policy);
  if (height === undefined) return 'no-height';
  const value = bodyMassIndex(weight.quantity, height.quantity);
  return { weight, height, value, valueText: toText(value) };
}

/**
 * When an amputation was first told of, on a reading that is not withdrawn; never is infinity. Limbs
 * do not grow back, so one that was said once counts for every later weight, whether that says it or not.
 */
function firstAmputation(readings: readonly Reading[]): number {
  return readings.reduce(
    (first, { conditions, status, effective }) =>
      status !== 'entered-in-error' && conditions?.includes('amputation') ? Math.min(first, effective.startMs) : first,
    Infinity,
  );
}

/** What the policy takes for a reason to publish no ordinary BMI of a weight. */
function suppressedBy({ conditions = [], effective }: Reading, amputatedFromMs: number, { values }: Policy): NoBmiReason | undefined {
  if (!values['bmi.withAmputation'] && amputatedFromMs <= effective.endMs) return 'amputation';
  const isSuppressed = {
    cast: !values['bmi.withCastOrProsthesis'],
    prosthesis: !values['bmi.withCastOrProsthesis'],
    amputation: false, // decided above, for later weights too
    oedema: !values['bmi.withOedema'],
    'before-dialysis': !values['bmi.withOedema'],
    'after-dialysis': false,
    'equipment-on-bed': !values['bmi.withEquipmentOnBed'],
  } as const satisfies Readonly<Record<Condition, boolean>>;
  return conditions.some((condition) => isSuppressed[condition]) ? 'condition' : undefined;
}

export function isPositive({ quantity }: Pick<UsableReading, 'quantity'>): boolean {
  return quantity.value.coefficient > 0n;
}

function isPossible({ weight, value }: BmiDraft, { birthDate }: Pick<PersonFacts, 'birthDate'>, { limits }: Policy): boolean {
  const age = birthDate === undefined ? undefined : ageAt(birthDate, weight.effective.startMs);
  const [low, high] = limits[ageBand(age)].bmi.refuse;
  return compare(value, decimal(low)) >= 0 && compare(value, decimal(high)) <= 0;
}

/** Who may still be growing needs a recent height, also when only the year of birth is known. */
function heightWindowDays(age: Age | undefined, { values }: Policy): number {
  const mayGrow = age !== undefined && age.youngestMonths < ADULT_FROM_MONTHS;
  return mayGrow ? values['bmi.heightWindowDays.youth'] : values['bmi.heightWindowDays.adult'];
}

/**
 * The latest height at or before the weight within the window; without one, the earliest that
 * followed within the policy's hours (one visit, measured in the other order). Of several at
 * one instant a standing height goes before a lying one, then the greater tie key wins.
 */
function chooseHeight(
  weight: UsableReading,
  heights: readonly UsableReading[],
  windowDays: number,
  { values }: Policy,
): UsableReading | undefined {
  const { startMs, endMs } = weight.effective;
  const firstLater = firstAfter(heights, endMs);
  const before = heights[firstLater - 1];
  if (before !== undefined && before.effective.startMs >= startMs - windowDays * DAY_MS) return before;
  const later = heights[firstLater];
  if (later === undefined || later.effective.startMs > endMs + values['bmi.laterHeightHours'] * HOUR_MS) return undefined;
  return heights[firstAfter(heights, later.effective.startMs) - 1];
}

/** Index of the first height that begins after an instant, by halving: heights are sorted. */
function firstAfter(heights: readonly UsableReading[], instantMs: number): number {
  let [low, high] = [0, heights.length];
  while (low < high) {
    const middle = (low + high) >>> 1;
    if ((heights[middle] as UsableReading).effective.startMs > instantMs) high = middle;
    else low = middle + 1;
  }
  return low;
}
