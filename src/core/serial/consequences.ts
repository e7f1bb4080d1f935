/** What follows for a person's readings and derived figures from anything but a new reading. */
import { deriveAll } from '../derive/derive-all.ts';
import { difference, type Derived, type DerivationContext } from '../derive/difference.ts';
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
  const { drafts } = deriveAll(readingsIn(standings, rejudged), context);
  return { rejudged, derived: difference(drafts, context) };
}
