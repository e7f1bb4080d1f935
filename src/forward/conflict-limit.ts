/**
 * When a conflict is the item's own and not a race: it comes back although the EHR was asked what it
 * has. Counted in memory, so a restart gives an item its three attempts again.
 */
import type { Outcome } from './classify.ts';

/** Optimistic locking is tried three times, then a person looks at it (common practice). */
const MOST_LOOK_UPS = 3;

export class ConflictLimit {
  readonly #conflicts = new Map<number, number>();

  /** The outcome; in place of a conflict that three look-ups did not settle, a permanent one. */
  judge(item: number, outcome: Outcome, isLookedUp: boolean): Outcome {
    if (outcome.kind === 'sent' || outcome.kind === 'permanent') this.#conflicts.delete(item);
    if (outcome.kind !== 'conflict' || !isLookedUp) return outcome;
    const conflicts = (this.#conflicts.get(item) ?? 0) + 1;
    if (conflicts < MOST_LOOK_UPS) {
      this.#conflicts.set(item, conflicts);
      return outcome;
    }
    this.#conflicts.delete(item);
    return { ...outcome, kind: 'permanent', reason: `${outcome.reason}, after each of ${MOST_LOOK_UPS} look-ups` };
  }
}
