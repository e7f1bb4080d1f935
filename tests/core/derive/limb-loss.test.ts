import { describe, expect, it } from 'vitest';
import { toText } from '../../../src/core/decimal.ts';
import { LOST_SEGMENTS, percentMissing, wholeBodyWeight, type LostSegment } from '../../../src/core/derive/limb-loss.ts';
import { quantity, type UnitCode } from '../../../src/core/quantity.ts';

function whole(text: string, lost: readonly LostSegment[], decimals?: number, unit: UnitCode = 'kg'): string | undefined {
  const value = wholeBodyWeight(quantity(text, unit)!, lost, decimals);
  return value && toText(value);
}

describe('the weight of a whole body', () => {
  it('is the measured weight over the share that is there', () => {
    expect(whole('70.0', ['lower-leg-and-foot'], 2)).toBe('74.39');
    expect(whole('70.0', ['lower-leg-and-foot'])).toBe('74.4');
    expect(whole('84.0', ['whole-leg'], 2)).toBe('100.00');
    expect(whole('210.00', ['whole-leg'], 2, '[lb_av]')).toBe('113.40');
  });

  it('adds up the shares of several limbs', () => {
    expect(toText(percentMissing(['whole-leg', 'whole-leg', 'whole-arm', 'hand']))).toBe('37.7');
    expect(whole('62.3', ['whole-leg', 'whole-leg', 'whole-arm', 'hand'], 2)).toBe('100.00');
  });

  it('is not estimated when nothing is lost, or more limbs than anybody has', () => {
    expect(whole('70.0', [])).toBeUndefined();
    expect(whole('70.0', ['hand', 'forearm-and-hand', 'whole-arm'])).toBeUndefined();
    expect(whole('70.0', ['foot', 'foot', 'foot'])).toBeUndefined();
    expect(whole('70.0', ['hand', 'hand', 'foot', 'foot'], 2)).toBe('73.22');
  });

  it('grows with each step up a limb', () => {
    const shares = (limb: 'arm' | 'leg') =>
      Object.values(LOST_SEGMENTS)
        .filter((row) => row.limb === limb)
        .map(({ percent }) => Number(percent));
    expect(shares('arm')).toEqual([0.7, 2.3, 5]);
    expect(shares('leg')).toEqual([1.5, 5.9, 16]);
  });
});
