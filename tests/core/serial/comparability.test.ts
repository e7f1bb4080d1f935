import { describe, expect, it } from 'vitest';
import type { Incomparable, Reading } from '../../../src/core/reading.ts';
import { quantity } from '../../../src/core/quantity.ts';
import { incomparable } from '../../../src/core/serial/comparability.ts';
import { policyWith, reading, weight } from '../../measurements.ts';

const weighed = (effectiveDateTime: string, facts: Partial<Reading> = {}): Reading =>
  reading(weight('70.0', 'kg', { effectiveDateTime }), 'w', facts);
const MORNING = '2026-03-01T08:00:00+01:00';
const NEXT = '2026-03-02T08:00:00+01:00';
const ALL: Partial<Reading> = { device: 'Device/a', method: 'standing-scale', clothing: 'underwear' };

describe('two weights', () => {
  it.each<[string, Partial<Reading>, Partial<Reading>, readonly Incomparable[]]>([
    ['of the same scale, method and clothing compare', ALL, ALL, []],
    ['that say nothing of it compare', {}, {}, []],
    ['of two scales', ALL, { ...ALL, device: 'Device/b' }, ['other-scale']],
    ['of which one names no scale', ALL, { method: 'standing-scale', clothing: 'underwear' }, ['scale-not-known']],
    ['by two methods', ALL, { ...ALL, method: 'bed-scale' }, ['other-method']],
    ['in other clothing', ALL, { ...ALL, clothing: 'street-shoes' }, ['other-clothing']],
    ['of which one tells the clothing', { clothing: 'underwear' }, {}, ['clothing-not-known']],
    ['in the same chair', { tareDevices: ['Device/x', 'Device/y'] }, { tareDevices: ['Device/y', 'Device/x'] }, []],
    ['in another chair', { tareDevices: ['Device/x'] }, { tareDevices: ['Device/y'] }, ['other-tare']],
    ['with the same tare', { tare: quantity('18.0', 'kg')! }, { tare: quantity('18.0', 'kg')! }, []],
    ['with another tare', { tare: quantity('18.0', 'kg')! }, { tare: quantity('18.5', 'kg')! }, ['other-tare']],
    ['with and without a tare', { tare: quantity('18.0', 'kg')! }, {}, ['other-tare']],
  ])('%s', (_what, one, other, reasons) => {
    expect(incomparable(weighed(MORNING, one), weighed(NEXT, other), policyWith({}))).toEqual(reasons);
    expect(incomparable(weighed(NEXT, other), weighed(MORNING, one), policyWith({}))).toEqual(reasons);
  });

  it.each([
    ['2026-03-02T11:00:00+01:00', []],
    ['2026-03-02T11:01:00+01:00', ['other-time-of-day']],
    ['2026-03-02T05:00:00+01:00', []],
    ['2026-03-02T04:59:00+01:00', ['other-time-of-day']],
    ['2026-03-02', ['time-not-known']],
  ])('at eight and %s', (text, reasons) => {
    expect(incomparable(weighed(MORNING), weighed(text), policyWith({}))).toEqual(reasons);
  });

  it('compare by the clock of the ward across the change to summer time', () => {
    const [before, after] = [weighed('2026-03-28T07:00:00Z'), weighed('2026-03-29T06:00:00Z')];
    const policy = (zone: string) => policyWith({ 'ward.timeZone': zone, 'comparability.timeOfDayHours': 0 });
    expect(incomparable(before, after, policy('Europe/Oslo'))).toEqual([]);
    expect(incomparable(before, after, policy('as-written'))).toEqual(['other-time-of-day']);
  });

  it('that say nothing do not compare where the policy says so', () => {
    const strict = policyWith({ 'comparability.unknownCompares': false });
    expect(incomparable(weighed(MORNING), weighed(NEXT), strict)).toEqual(['scale-not-known', 'method-not-known', 'clothing-not-known']);
    expect(incomparable(weighed(MORNING, ALL), weighed(NEXT, ALL), strict)).toEqual([]);
  });
});
