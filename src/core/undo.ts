/**
 * Taking back the last decision on a reading: until when, from what it is restored, what follows
 * for the person's other readings, and why a decision stands.
 */
import { DECISIONS } from './decision.ts';
import { deriveAll } from './derive/derive-all.ts';
import { difference, type Derived, type DerivationContext } from './derive/difference.ts';
import type { Finding } from './finding.ts';
import type { Context, LastDecision, Reading } from './reading.ts';
import { affectedFrom, judgeSerial } from './serial/judge.ts';
import { readingsIn, rejudgedAmong, type Rejudged } from './serial/rejudged.ts';

/** Common practice, no source: long enough to see a slip of the finger, short enough that nobody has acted on it. */
export const UNDO_MINUTES = 5;

const CORRECT_IT = 'To change it, correct the reading with PUT and If-Match.';

/** The last moment at which the decision can be taken back, as far as time goes; in milliseconds. */
export function undoableUntilMs({ at }: Pick<LastDecision, 'at'>): number {
  return Date.parse(at) + UNDO_MINUTES * 60_000;
}

/**
 * Why no decision on a reading can be taken back, in one sentence of fact and one of what to do;
 * undefined when one can, unless something of it has gone to the EHR. Says what was decided and
 * when, never by whom.
 */
export function whyNotUndoable(reading: Reading, nowMs: number): string | undefined {
  const { lastDecision: last, decided, undone, movedFrom, held } = reading;
  if (last === undefined) {
    if (undone !== undefined) return `Its last decision was taken back already, at ${undone}. ${held ? 'Decide anew.' : CORRECT_IT}`;
    if (decided !== undefined)
      return `Somebody decided ${DECISIONS[decided.as].done}, at ${decided.at}, and the reading was changed after that. ${CORRECT_IT}`;
    return `Nobody has decided on it, so there is nothing to take back. ${held ? 'Weigh again, or decide.' : CORRECT_IT}`;
  }
  if (movedFrom !== undefined && last.version === 1)
    return `It was moved here from Observation/${movedFrom} by a decision on that one. Take the decision back there.`;
  if (last.as === 'weigh-again' && !held)
    return `A second weighing was asked for, at ${last.at}, and the reading waits no longer. ${CORRECT_IT}`;
  if (nowMs > undoableUntilMs(last))
    return `Somebody decided ${DECISIONS[last.as].done}, at ${last.at}, and the ${UNDO_MINUTES} minutes in which that can be taken back are over. ${CORRECT_IT}`;
  return undefined;
}

/** The words for a decision of which something has left for the EHR, or may have. */
export function whyGone({ as, at }: LastDecision): string {
  return `Somebody decided ${DECISIONS[as].done}, at ${at}, and what follows from it has gone to the EHR or is being sent just now. ${CORRECT_IT}`;
}

/** The words for a reading that was made for the right person and has a history of its own there. */
export function whyMoveStands({ id }: Pick<Reading, 'id'>): string {
  return `The reading that it became for the right person, Observation/${id}, was changed or decided on since. Correct that one, or decide on it.`;
}

/** Was the reading made by this decision, and has nothing but its neighbours changed it since? */
export function isMadeBy({ lastDecision }: Reading, { as, at, afterItem }: LastDecision): boolean {
  return lastDecision?.version === 1 && lastDecision.as === as && lastDecision.at === at && lastDecision.afterItem === afterItem;
}

/** What a reading goes back to, and what follows from that. */
export interface Restored {
  readonly reading: Reading;
  /** What the person's other readings say of it now. */
  readonly findings: readonly Finding[];
  readonly rejudged: readonly Rejudged[];
  readonly derived: readonly Derived[];
}

/**
 * The reading as it was before the decision, judged among its neighbours as they are now.
 *
 * @param decided as it stands
 * @param before as it was before the decision
 * @param context the person's other readings, this one excluded
 */
export function restore(
  { decided, before, undone }: { readonly decided: Reading; readonly before: Reading; readonly undone: string },
  context: DerivationContext & Pick<Context, 'history'>,
): Restored {
  const { lastDecision: _earlier, ...facts } = before;
  const { moves } = decided;
  const restored: Reading = {
    ...facts,
    person: decided.person,
    version: decided.version + 1,
    undone,
    ...(moves !== undefined && { moves }),
  };
  const standings = judgeSerial([...context.history, restored], context, affectedFrom([decided, restored], context.policy));
  const own = standings.find(({ reading }) => reading.id === restored.id);
  if (own === undefined) throw new Error('a reading is missing among its own standings');
  const rejudged = rejudgedAmong(standings, context);
  const { drafts } = deriveAll(readingsIn(standings, rejudged), context);
  return { reading: own.reading, findings: own.findings, rejudged, derived: difference(drafts, context) };
}
