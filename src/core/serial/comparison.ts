/** A weight against the accepted ones before it: does it compare, and how much changed. */
import { divideHalfUp, decimal } from '../decimal.ts';
import { DAY_MS } from '../fhir-time.ts';
import type { Comparison } from '../reading.ts';
import { percentText, perDayText, signed, type Change } from './change.ts';
import { incomparable } from './comparability.ts';
import type { View } from './view.ts';

/** How far back a comparable weight is looked for: the longest window of a published threshold. */
const HORIZON_MS = 400 * DAY_MS;

/** Undefined when nothing was accepted before. */
export function compareWeights({
  reading,
  change,
  accepted,
  policy,
}: Pick<View, 'reading' | 'change' | 'accepted' | 'policy'>): Comparison | undefined {
  if (change === undefined) return undefined;
  const { previous } = change;
  const reasons = incomparable(previous, reading, policy);
  const lastComparable =
    reasons.length === 0
      ? undefined
      : accepted.weight.findLast(
          (earlier) =>
            reading.effective.startMs - earlier.effective.startMs <= HORIZON_MS && incomparable(earlier, reading, policy).length === 0,
        );
  const perDay = perDayText(change);
  return {
    previous: previous.id,
    reasons,
    changeKg: kilogramsText(change),
    changePercent: percentText(change),
    ...(perDay !== undefined && { changePerDayKg: perDay }),
    ...(lastComparable && { lastComparable: lastComparable.id }),
  };
}

/** As many decimals as the weights have: exact, since both were read in steps. */
function kilogramsText({ difference }: Pick<Change, 'difference'>): string {
  return signed(difference.scale <= 3 ? difference : divideHalfUp(difference, decimal('1'), 2));
}
