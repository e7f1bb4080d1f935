import { describe, expect, it } from 'vitest';
import { contentFingerprintOf, fingerprintOf } from '../../src/core/fingerprint.ts';
import { height, reading, weight } from '../measurements.ts';

const base = reading(weight('70.0'), 'a');

describe('the fingerprint', () => {
  it('is the same however many zeros, identifiers and offsets a reading carries', () => {
    const same = [
      reading(weight('70.00'), 'b'),
      reading(weight('70.0', 'kg', { identifier: [{ system: 's', value: 'v' }] }), 'c'),
      reading(weight('70.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00+01:00' }), 'd'),
      reading(weight('70.0', 'kg', { status: 'corrected' }), 'e'),
    ];
    expect(new Set([base, ...same].map(fingerprintOf)).size).toBe(1);
  });

  it('differs by person, measure, basis, device, instant, value and unit', () => {
    const others = [
      { ...base, person: 'Patient/bo' },
      reading(height('70.0'), 'a'),
      { ...base, basis: 'stated' as const },
      { ...base, device: 'Device/s1' },
      reading(weight('70.0', 'kg', { effectiveDateTime: '2026-03-02T08:00:01Z' }), 'a'),
      reading(weight('70.1'), 'a'),
      reading(weight('70.0', '[lb_av]'), 'a'),
    ];
    expect(new Set([base, ...others].map(fingerprintOf)).size).toBe(others.length + 1);
  });

  it('tells a day from its first instant', () => {
    const at = (effectiveDateTime: string) => fingerprintOf(reading(weight('70.0', 'kg', { effectiveDateTime }), 'a'));
    expect(at('2026-03-02')).toBe(at('2026-03-02'));
    expect(at('2026-03-02')).not.toBe(at('2026-03-02T00:00:00Z'));
  });

  it('does not exist for a reading without a value', () => {
    const { quantity: _quantity, ...without } = base;
    expect(fingerprintOf(without)).toBeUndefined();
  });
});

describe('the fingerprint of the content', () => {
  it('tells a changed status apart, and exists for a day and without a value too', () => {
    expect(contentFingerprintOf({ ...base, status: 'entered-in-error' })).not.toBe(contentFingerprintOf(base));
    const { quantity: _quantity, ...without } = base;
    const day = reading(weight('70.0', 'kg', { effectiveDateTime: '2026-03-02' }), 'a');
    expect(new Set([base, without, day].map(contentFingerprintOf)).size).toBe(3);
  });

  it('is the same for one instant in two offsets, and never equals the other kind', () => {
    const elsewhere = reading(weight('70.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00+01:00' }), 'b');
    expect(contentFingerprintOf(elsewhere)).toBe(contentFingerprintOf(base));
    expect(contentFingerprintOf(base)).not.toBe(fingerprintOf(base));
  });
});
