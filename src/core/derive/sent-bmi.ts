/**
 * A sender's own BMI against the one derived here. It is never stored: an equal one is pointed
 * to the derived Observation, a different one is refused with the arithmetic.
 */
import { decimal, isEqual, toShortestText, toText } from '../decimal.ts';
import { finding, type Finding } from '../finding.ts';
import { effectiveOf, type ExactObservation } from '../observation.ts';
import { describeQuantity } from '../quantity.ts';
import { isStandingBmi, type Context, type Reading, type StandingBmi } from '../reading.ts';
import { bmiAgrees, bmiDiffers, bmiNothingToCompare, bmiUnit } from '../rules/bmi.ts';
import { SYSTEM } from '../terminology.ts';
import { bodyMassIndex } from './bmi.ts';
import { parseDateTime } from '../fhir-time.ts';

/** More decimals than this say nothing about a person. */
const MOST_DECIMALS = 6;

export interface SentBmiComparison {
  readonly finding: Finding;
  readonly equals?: StandingBmi;
}

export function compareSentBmi(observation: ExactObservation, context: Context): SentBmiComparison {
  const { value, system, code } = observation.valueQuantity ?? {};
  if (value === undefined || system !== SYSTEM.ucum || code !== 'kg/m2') return { finding: finding(bmiUnit) };
  const standing = standingAt(observation, context);
  const inputs = standing && [standing.weightId, standing.heightId].map((id) => context.history.find((reading) => reading.id === id));
  const [weight, height] = inputs ?? [];
  if (standing === undefined || weight?.quantity === undefined || height?.quantity === undefined)
    return { finding: finding(bmiNothingToCompare) };
  const sent = decimal(value.value);
  // 31.30 is 31.3: zeros at its end do not ask for a finer comparison
  const decimals = decimal(toShortestText(sent)).scale;
  const expected = bodyMassIndex(weight.quantity, height.quantity, Math.min(decimals, MOST_DECIMALS));
  const facts = { weight: describe(weight), height: describe(height) };
  if (isEqual(sent, expected)) return { finding: finding(bmiAgrees, { ...facts, derived: standing.id }), equals: standing };
  return { finding: finding(bmiDiffers, { ...facts, sent: value.value, expected: toText(expected) }) };
}

function describe({ quantity }: Reading): string {
  return quantity ? describeQuantity(quantity) : '';
}

/** The BMI of the weight it claims to be derived from, else of a weight at its own time, an exact one first. */
function standingAt(observation: ExactObservation, { standing }: Context): StandingBmi | undefined {
  const valid = standing.filter(isStandingBmi).filter(({ status }) => status !== 'entered-in-error');
  const claimed = new Set((observation.derivedFrom ?? []).map(({ reference }) => reference));
  const sent = effectiveOf(observation);
  const timed = valid.flatMap((bmi) => {
    const weighed = parseDateTime(bmi.effectiveText);
    const overlaps = sent !== undefined && weighed !== undefined && weighed.startMs <= sent.endMs && weighed.endMs >= sent.startMs;
    return overlaps ? [{ bmi, isExact: weighed.startMs === sent.startMs && weighed.endMs === sent.endMs }] : [];
  });
  return valid.find(({ weightId }) => claimed.has(`Observation/${weightId}`)) ?? (timed.find(({ isExact }) => isExact) ?? timed[0])?.bmi;
}
