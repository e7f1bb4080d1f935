/**
 * The one order in which a person's readings are judged: by time of measuring, never by arrival,
 * so that whatever order they arrive in, the same readings stand.
 */
import type { Reading } from '../reading.ts';

/**
 * By the instant they begin; of one instant heights before weights (a BMI needs both), lying before
 * standing (the later counts), then the sender's own tie key, then the id.
 */
export function byTime(a: Reading, b: Reading): number {
  return (
    a.effective.startMs - b.effective.startMs ||
    measureRank(a) - measureRank(b) ||
    positionRank(a) - positionRank(b) ||
    compareText(a.tieKey, b.tieKey) ||
    compareText(a.id, b.id)
  );
}

function measureRank({ of }: Reading): number {
  return of === 'height' ? 0 : 1;
}

function positionRank({ position }: Reading): number {
  return position === 'standing' ? 2 : position === 'lying' ? 0 : 1;
}

export function compareText(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}
