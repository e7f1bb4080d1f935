/** From the standings that were stored to those that ought to be: which readings get a new version. */
import type { Finding } from '../finding.ts';
import type { Context, Reading } from '../reading.ts';
import type { DecidedBy } from '../provenance.ts';
import type { Standing } from './judge.ts';

export interface Rejudged extends DecidedBy {
  readonly before: Reading;
  /** With its new standing and the version that it will have. */
  readonly reading: Reading;
  readonly findings: readonly Finding[];
}

/** Readings of the history that stand otherwise now. */
export function rejudgedAmong(standings: readonly Standing[], { history }: Pick<Context, 'history'>): readonly Rejudged[] {
  const stored = new Map(history.map((reading) => [reading.id, reading]));
  return standings.flatMap(({ reading, findings }) => {
    const before = stored.get(reading.id);
    if (before === undefined || before === reading || standsAlike(before, reading)) return [];
    return [{ before, reading: { ...reading, version: before.version + 1 }, findings }];
  });
}

/** Do both wait, repeat, compare and are released alike? */
export function standsAlike(one: Reading, other: Reading): boolean {
  return standingOf(one) === standingOf(other);
}

/** Everything of a standing in one text, to compare it by. */
function standingOf({ status, flagged, held, repeatOf, releasedBy, comparison, significant = [] }: Reading): string {
  const { previous, reasons, changeKg, changePercent, changePerDayKg, lastComparable } = comparison ?? {};
  const compared = [previous, reasons, changeKg, changePercent, changePerDayKg, lastComparable];
  const reached = significant.map(({ threshold, earlier }) => [threshold, earlier]);
  return JSON.stringify([status, flagged, held, repeatOf, releasedBy, compared, reached]);
}

/** All readings as they will be stored. */
export function readingsIn(standings: readonly Standing[], rejudged: readonly Rejudged[]): readonly Reading[] {
  const changed = new Map(rejudged.map(({ reading }) => [reading.id, reading]));
  return standings.map(({ reading }) => changed.get(reading.id) ?? reading);
}
