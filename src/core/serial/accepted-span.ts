/**
 * Between which values a reading would be accepted as far as its number alone is doubted: what is
 * usual at the person's age, and how far it may lie from the last accepted reading. For people to
 * see how far a held reading lies outside; no rule reads it (`tests/core/serial/accepted-span.test.ts`
 * holds it to the rules).
 */
import { add, compare, decimal, multiply, subtract, type Decimal } from '../decimal.ts';
import type { Change } from './change.ts';
import { heightLimit, isCharted, weightChangeLimits } from './limits.ts';
import type { View } from './view.ts';

/** In kg or cm, both ends accepted; an end is absent where nothing limits it. */
export interface AcceptedSpan {
  readonly low?: Decimal;
  readonly high?: Decimal;
  /** What set each end. */
  readonly lowBy?: SpanBasis;
  readonly highBy?: SpanBasis;
}

export type SpanBasis = 'age' | 'change';

/** Empty when nothing limits it: a child on a growth chart without an earlier reading. */
export function acceptedSpan(view: View): AcceptedSpan {
  const { band, policy, reading, change } = view;
  const usual = isCharted(view) ? undefined : policy.limits[band][reading.of].hold;
  const byAge: AcceptedSpan = usual ? { low: decimal(usual[0]), high: decimal(usual[1]), lowBy: 'age', highBy: 'age' } : {};
  return change === undefined ? byAge : narrower(byAge, spanOfChange(change, view));
}

function spanOfChange(change: Change, view: View): AcceptedSpan {
  if (view.reading.of === 'height') {
    const { below, above } = heightLimit(change, view);
    return {
      low: subtract(change.from, decimal(below)),
      lowBy: 'change',
      ...(above !== undefined && { high: add(change.from, decimal(above)), highBy: 'change' }),
    };
  }
  const limits = weightChangeLimits(change, view);
  if (limits === undefined) return {};
  const most = decimal(limits.mostKilograms);
  const part = (percent: string): Decimal => multiply(multiply(change.from, decimal(percent)), HUNDREDTH);
  return {
    low: subtract(change.from, smaller(part(limits.lossPercent), most)),
    high: add(change.from, smaller(part(limits.gainPercent), most)),
    lowBy: 'change',
    highBy: 'change',
  };
}

const HUNDREDTH = decimal('0.01');

function narrower(one: AcceptedSpan, other: AcceptedSpan): AcceptedSpan {
  const isHigherLow = other.low !== undefined && (one.low === undefined || compare(other.low, one.low) > 0);
  const isLowerHigh = other.high !== undefined && (one.high === undefined || compare(other.high, one.high) < 0);
  const { low, lowBy } = isHigherLow ? other : one;
  const { high, highBy } = isLowerHigh ? other : one;
  return { ...(low && lowBy && { low, lowBy }), ...(high && highBy && { high, highBy }) };
}

function smaller(one: Decimal, other: Decimal): Decimal {
  return compare(one, other) <= 0 ? one : other;
}
