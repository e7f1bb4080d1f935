/** What follows for a person's readings and BMI from anything but a new reading. */
import { deriveBmi } from '../derive/bmi.ts';
import { bmiDifference, type Derived, type DerivationContext } from '../derive/difference.ts';
import type { Context, Reading } from '../reading.ts';
import { judgeSerial } from './judge.ts';
import { readingsIn, rejudgedAmong, type Rejudged } from './rejudged.ts';

/**
 * The difference between what is stored and what the readings, the person and the policy give now.
 *
 * @param readings the history as it ought to be, where that is not as it is stored
 */
export function consequences(
  context: DerivationContext & Pick<Context, 'history'>,
  readings: readonly Reading[] = context.history,
): {
  readonly rejudged: readonly Rejudged[];
  readonly derived: readonly Derived[];
} {
  const standings = judgeSerial(readings, context);
  const rejudged = rejudgedAmong(standings, context);
  const { drafts } = deriveBmi(readingsIn(standings, rejudged), context.person, context.policy);
  return { rejudged, derived: bmiDifference(drafts, context) };
}
