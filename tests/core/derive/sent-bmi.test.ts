import { describe, expect, it } from 'vitest';
import { evaluate } from '../../../src/core/evaluate.ts';
import { explainFinding } from '../../../src/core/finding.ts';
import type { StandingBmi } from '../../../src/core/reading.ts';
import { bmi, context, height, measured, reading, weight, type Changes } from '../../measurements.ts';

const history = [
  reading(weight('80.0'), 'w1'),
  reading(height('160.0', 'cm', { effectiveDateTime: '2026-03-01T08:00:00Z' }), 'h1'),
  reading(weight('90.0', 'kg', { effectiveDateTime: '2026-03-02T09:00:00Z' }), 'w2'),
];
const stand = (weightId: string, valueText: string, effectiveText: string): StandingBmi => ({
  id: `bmi-${weightId}`,
  version: 1,
  status: 'final',
  weightId,
  heightId: 'h1',
  valueText,
  effectiveText,
});
const standing = [stand('w1', '31.3', '2026-03-02T08:00:00Z'), stand('w2', '35.2', '2026-03-02T09:00:00Z')];

function judged(value: string, changes: Changes = {}, around: Parameters<typeof context>[0] = {}) {
  const { verdict, findings, equals, stored, derived } = evaluate(bmi(value, changes), context({ history, standing, ...around }));
  expect([stored, derived]).toEqual([undefined, []]);
  return { verdict, equals: equals?.id, rules: findings.map(({ rule }) => rule.id), sentence: findings.map(explainFinding).at(-1) };
}

describe('a BMI that somebody sends', () => {
  it.each(['31.3', '31.25', '31.250', '31', '31.2500000'])('as %s equals the derived one, to the decimals it was sent with', (value) => {
    expect(judged(value)).toEqual({
      verdict: 'accepted',
      equals: 'bmi-w1',
      rules: ['bmi-agrees'],
      sentence:
        'The BMI equals Observation/bmi-w1, which was derived here from 80.0 kg and 160.0 cm; nothing more was stored. Senders need not send a BMI.',
    });
  });

  it.each([
    ['31.2', '31.3'],
    ['31.4', '31.3'],
    ['31.26', '31.25'],
    ['30', '31'],
    ['-31.3', '31.3'],
  ])('as %s is refused with the arithmetic: %s', (value, expected) => {
    expect(judged(value)).toEqual({
      verdict: 'refused',
      equals: undefined,
      rules: ['bmi-differs'],
      sentence: `80.0 kg and 160.0 cm give a BMI of ${expected} kg/m2, but ${value} was sent. Check weight and height at the sender; BMI is derived here.`,
    });
  });

  it('is compared with the weight that it names, else with the one of its own time', () => {
    expect(judged('35.2', { derivedFrom: [{ reference: 'Observation/w2' }] })).toMatchObject({ equals: 'bmi-w2' });
    expect(judged('35.2', { effectiveDateTime: '2026-03-02T09:00:00Z' })).toMatchObject({ equals: 'bmi-w2' });
    expect(judged('35.2', { effectiveDateTime: '2026-03-02T10:00:00+01:00' })).toMatchObject({ equals: 'bmi-w2' });
    expect(judged('31.3', { effectiveDateTime: '2026-03-02' })).toMatchObject({ equals: 'bmi-w1' });
  });

  it('of a moment is compared with the weight of that moment before one of that day', () => {
    const ofTheDay = { ...stand('w2', '35.2', '2026-03-02'), version: 2 };
    expect(judged('31.3', {}, { standing: [ofTheDay, ...standing.slice(0, 1)] })).toMatchObject({ equals: 'bmi-w1' });
    expect(judged('35.2', { effectiveDateTime: '2026-03-02T07:00:00Z' }, { standing: [ofTheDay] })).toMatchObject({ equals: 'bmi-w2' });
  });

  it('with nothing to compare it with is refused', () => {
    const nothing = { verdict: 'refused', rules: ['bmi-nothing-to-compare'] };
    expect(judged('31.3', { effectiveDateTime: '2026-03-02T08:00:01Z' })).toMatchObject(nothing);
    expect(judged('31.3', {}, { standing: standing.map((one) => ({ ...one, status: 'entered-in-error' as const })) })).toMatchObject(
      nothing,
    );
    expect(judged('31.3', {}, { history: [] })).toMatchObject(nothing);
  });

  it.each([
    ['another unit', { valueQuantity: measured('31.3', 'kg') }],
    ['a unit in other letters', { valueQuantity: { ...measured('31.3', 'kg/m2'), code: 'kg/m²' } }],
    ['no value', { valueQuantity: undefined, dataAbsentReason: { text: 'x' } }],
  ])('in %s is refused', (_what, changes) => {
    expect(judged('31.3', changes)).toMatchObject({ verdict: 'refused', rules: ['bmi-unit'] });
  });

  it('is not held by what would hold a reading, since it is not stored', () => {
    expect(judged('31.3', {}, { nowMs: Date.parse('2026-06-02T10:00:00Z') })).toMatchObject({ verdict: 'accepted', rules: ['bmi-agrees'] });
  });

  it('is refused like any Observation that breaks a rule', () => {
    expect(judged('31.3', { status: 'registered' })).toMatchObject({ verdict: 'refused', rules: ['status-not-usable'] });
    expect(judged('31.3', { status: 'entered-in-error' })).toMatchObject({ verdict: 'refused', rules: ['correction-unknown'] });
  });
});
