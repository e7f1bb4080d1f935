import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { compare, decimal, toShortestText } from '../../../src/core/decimal.ts';
import { DAY_MS, toInstant } from '../../../src/core/fhir-time.ts';
import { DEFAULT_POLICY } from '../../../src/core/policy.ts';
import { inBaseUnit } from '../../../src/core/quantity.ts';
import type { PersonFacts, Reading } from '../../../src/core/reading.ts';
import { acceptedSpan, type AcceptedSpan } from '../../../src/core/serial/accepted-span.ts';
import { viewAmong } from '../../../src/core/serial/judge.ts';
import { isBeyondLimit, isUnusualValue } from '../../../src/core/serial/limits.ts';
import type { View } from '../../../src/core/serial/view.ts';
import { height, NOW, reading, weight } from '../../measurements.ts';

const ADULT: PersonFacts = { key: 'Patient/ada', known: true, birthDate: '1970-01-01' };

/** The inner limits of an adult's weight, see `age-bands.ts`. */
const USUAL = '34 by age to 272.2 by age';

function at(kg: string, agoDays: number, more: Parameters<typeof weight>[2] = {}): Reading {
  return reading(weight(kg, 'kg', { effectiveDateTime: toInstant(Date.parse(NOW) - agoDays * DAY_MS), ...more }), `w${agoDays}`);
}

function viewOf(readings: readonly Reading[], person: PersonFacts = ADULT): View {
  const view = viewAmong(readings, (readings.at(-1) as Reading).id, { person, policy: DEFAULT_POLICY });
  if (view === undefined) throw new Error('nothing is seen of it');
  return view;
}

function words({ low, high, lowBy, highBy }: AcceptedSpan): string {
  const end = (value: AcceptedSpan['low'], by: AcceptedSpan['lowBy']) => (value ? `${toShortestText(value)} by ${by}` : 'none');
  return `${end(low, lowBy)} to ${end(high, highBy)}`;
}

describe('the span in which a reading would be accepted', () => {
  it.each<[string, readonly Reading[], PersonFacts, string]>([
    ['the first weight of an adult', [at('97.8', 0)], ADULT, USUAL],
    // 10 % either way within 30 days: see change-limits.ts for the sources
    ['a weight a day after one of 80.0 kg', [at('80.0', 1), at('97.8', 0)], ADULT, '72 by change to 88 by change'],
    ['a weight two years after one of 80.0 kg', [at('80.0', 730), at('97.8', 0)], ADULT, USUAL],
  ])('of %s', (_what, readings, person, expected) => {
    expect(words(acceptedSpan(viewOf(readings, person)))).toBe(expected);
  });

  it('of an adult height lies on both sides of the last one, of a child only below it', () => {
    const tall = (cm: string, agoDays: number): Reading =>
      reading(height(cm, 'cm', { effectiveDateTime: toInstant(Date.parse(NOW) - agoDays * DAY_MS) }), `h${agoDays}`);
    expect(acceptedSpan(viewOf([tall('170.0', 10), tall('171.0', 0)]))).toMatchObject({ lowBy: 'change', highBy: 'change' });
    const child = { ...ADULT, birthDate: '2019-01-01' };
    expect(acceptedSpan(viewOf([tall('120.0', 10), tall('121.0', 0)], child))).toMatchObject({ lowBy: 'change', highBy: 'age' });
  });

  it('holds exactly what no limit of age or change doubts, whatever the weights and the time between', () => {
    const kilograms = fc.integer({ min: 20, max: 4000 }).map((tenths) => (tenths / 10).toFixed(1));
    fc.assert(
      fc.property(kilograms, kilograms, fc.integer({ min: 1, max: 500 }), fc.integer({ min: 0, max: 90 }), (before, now, days, age) => {
        const person = { ...ADULT, birthDate: `${2025 - age}-01-01` };
        const view = viewOf([at(before, days), at(now, 0)], person);
        const { low, high } = acceptedSpan(view);
        const value = inBaseUnit(view.reading.quantity);
        const isInside = (low === undefined || compare(value, low) >= 0) && (high === undefined || compare(value, high) <= 0);
        const isDoubted = isUnusualValue(view) || (view.change !== undefined && isBeyondLimit(view.change, view));
        expect(isInside).toBe(!isDoubted);
      }),
      { numRuns: 500, seed: 5 },
    );
  });

  it('is wider for a weight that stands on a cast which the earlier one did not', () => {
    const plain = acceptedSpan(viewOf([at('80.0', 1), at('97.8', 0)]));
    const cast = { ...at('97.8', 0), conditions: ['cast'] as const };
    const wider = acceptedSpan(viewOf([at('80.0', 1), cast]));
    expect(compare(wider.high ?? decimal('0'), plain.high ?? decimal('0'))).toBe(1);
  });
});

describe('what is seen of one reading', () => {
  it('is nothing for one that is withdrawn, has no number, is a second press, or is not there', () => {
    const first = at('80.0', 1);
    const device = 'Device/scale-4';
    const press = { ...at('80.0', 1, { effectiveDateTime: toInstant(Date.parse(NOW) - DAY_MS + 10_000) }), id: 'again', device };
    const surroundings = { person: ADULT, policy: DEFAULT_POLICY };
    const { quantity: _none, ...blank } = at('80.0', 0);
    for (const [readings, id] of [
      [[{ ...first, status: 'entered-in-error' as const }], first.id],
      [[blank], blank.id],
      [[{ ...first, device }, press], 'again'],
      [[first], 'nobody'],
    ] as const)
      expect(viewAmong(readings, id, surroundings)).toBeUndefined();
  });

  it('is what came before it, not what came later', () => {
    const readings = [at('80.0', 3), at('81.0', 2), at('82.0', 1)];
    const view = viewAmong(readings, 'w2', { person: ADULT, policy: DEFAULT_POLICY });
    expect(view?.accepted.weight.map(({ id }) => id)).toEqual(['w3']);
    expect(view?.change?.previous.id).toBe('w3');
  });
});
