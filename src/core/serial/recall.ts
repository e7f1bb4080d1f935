/**
 * A scale was found wrong: its readings are withdrawn, or marked as doubtful, and everything that
 * rested on them is judged again.
 */
import type { Derived, DerivationContext } from '../derive/difference.ts';
import type { Context, Reading } from '../reading.ts';
import { consequences } from './consequences.ts';
import type { Rejudged } from './rejudged.ts';

/**
 * Entered in error: the value is wrong and counts for nothing. Flagged: it is kept with its BMI, both
 * marked, but no later weight is compared with it.
 */
export type RecallAction = 'entered-in-error' | 'flagged';

/** Is there nothing left to mark? What is withdrawn stays withdrawn. */
export function isRecalled({ status, flagged }: Pick<Reading, 'status' | 'flagged'>, action: RecallAction): boolean {
  return status === 'entered-in-error' || (action === 'flagged' && flagged === true);
}

/**
 * New versions of the recalled readings, and what follows for the person's other readings and BMI.
 *
 * @param context the person's readings as they are stored, and who recalls them for what reason
 * @param recalled ids of the readings to mark
 */
export function recallConsequences(
  context: DerivationContext & Pick<Context, 'history'>,
  recalled: ReadonlySet<string>,
  action: RecallAction,
): { readonly rejudged: readonly Rejudged[]; readonly derived: readonly Derived[] } {
  const { decidedBy } = context;
  const marked = context.history.map((reading) => (recalled.has(reading.id) ? mark(reading, action) : reading));
  const { rejudged, derived } = consequences(context, marked);
  return {
    rejudged: rejudged.map((one) => (decidedBy && recalled.has(one.before.id) ? { ...one, decidedBy } : one)),
    derived,
  };
}

/** What was decided of it is not taken back any more: that would revive what was withdrawn. */
function mark({ lastDecision: _lastDecision, ...reading }: Reading, action: RecallAction): Reading {
  return action === 'flagged' ? { ...reading, flagged: true } : { ...reading, status: 'entered-in-error' };
}
