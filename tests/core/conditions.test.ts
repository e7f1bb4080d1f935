/** What a number stands on: decoded as sent, compared, and a reason for wider limits. Everybody is invented. */
import { describe, expect, it } from 'vitest';
import { CONDITIONS, sentConditions, type Condition } from '../../src/core/conditions.ts';
import { evaluate } from '../../src/core/evaluate.ts';
import { incomparable } from '../../src/core/serial/comparability.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import type { Reading } from '../../src/core/reading.ts';
import { OURS, QUALIFIER } from '../../src/core/terminology.ts';
import { conformObservation } from '../../src/core/conform.ts';
import { arrived } from '../arrived.ts';
import { context, policyWith, reading, weight, type Changes } from '../measurements.ts';

const answer = (...codes: string[]) => ({ coding: codes.map((code) => ({ system: OURS.conditionSystem, code })) });
const asComponents = (...codes: string[]): Changes => ({
  component: codes.map((code) => ({ code: { coding: [{ ...QUALIFIER.condition }] }, valueCodeableConcept: answer(code) })),
});
const asExtension = (...codes: string[]): Changes => ({
  extension: [
    {
      url: OURS.qualifierExtension,
      extension: [
        { url: 'qualifier', valueCoding: { ...QUALIFIER.condition } },
        { url: 'answer', valueCodeableConcept: answer(...codes) },
      ],
    },
  ],
});
const standing = (id: string, value: string, conditions: readonly Condition[], at = '2026-03-01T08:00:00Z'): Reading =>
  reading(weight(value, 'kg', { effectiveDateTime: at, ...asComponents(...conditions) }), id);

describe('the conditions of a reading', () => {
  it.each<[string, Changes, readonly Condition[] | undefined]>([
    ['none', {}, undefined],
    ['one component', asComponents('cast'), ['cast']],
    ['a component for each, in any order, twice', asComponents('prosthesis', 'cast', 'prosthesis'), ['cast', 'prosthesis']],
    ['an extension with several codings', asExtension('oedema', 'before-dialysis'), ['before-dialysis', 'oedema']],
    ['an unknown code beside a known one', asComponents('plaster', 'oedema'), ['oedema']],
    ['a name of every object', asComponents('toString'), undefined],
  ])('are those that were sent: %s', (_how, changes, expected) => {
    expect(reading(weight('70.0', 'kg', changes), 'r1').conditions).toEqual(expected);
  });

  it('are understood each by its code', () => {
    const codes = Object.keys(CONDITIONS);
    expect(codes).toHaveLength(7);
    expect(sentConditions(weight('70.0', 'kg', asComponents(...codes)))).toEqual([...codes].sort());
  });

  it('are not read from a component that asks something else', () => {
    const other = { code: { coding: [{ ...QUALIFIER.method }] }, valueCodeableConcept: answer('cast') };
    expect(sentConditions(weight('70.0', 'kg', { component: [other] }))).toEqual([]);
  });

  it('leave as they came, text and all, and the question may be repeated', () => {
    const component = [
      {
        code: { coding: [{ ...QUALIFIER.condition }] },
        valueCodeableConcept: { ...answer('equipment-on-bed'), text: 'pump and two pillows' },
      },
      { code: { coding: [{ ...QUALIFIER.condition }] }, valueCodeableConcept: answer('oedema') },
    ];
    const conformed = conformObservation(arrived(weight('70.0', 'kg', { component })).tree);
    if (!conformed.ok) throw new Error('it does not conform');
    const { verdict, stored } = evaluate(conformed.resource, context());
    expect(verdict).toBe('accepted');
    expect(JSON.parse(JSON.stringify(stored?.observation.component?.slice(0, 2)))).toEqual(component);
  });
});

describe('two weights', () => {
  it.each<[readonly Condition[], readonly Condition[], boolean]>([
    [[], [], true],
    [['cast'], ['cast'], true],
    [['cast', 'oedema'], ['oedema', 'cast'], true],
    [['cast'], [], false],
    [['before-dialysis'], ['after-dialysis'], false],
    [['amputation', 'prosthesis'], ['amputation'], false],
  ])('with %j and %j compare: %s (PhenX 021501 notes cast and prosthesis; the rest common practice, no source)', (a, b, compares) => {
    const reasons = incomparable(standing('a', '70.0', a), standing('b', '70.1', b), DEFAULT_POLICY);
    expect(reasons).toEqual(compares ? [] : ['other-condition']);
  });
});

/** 10 % in 30 days is the limit of adults (NHANES 2017-2018, computed); the factor is common practice, no source. */
describe('the limit of change', () => {
  const judged = (before: readonly Condition[], now: readonly Condition[], value: string, policy = DEFAULT_POLICY) => {
    const sent = weight(value, 'kg', now.length > 0 ? asComponents(...now) : {});
    return evaluate(sent, context({ history: [standing('w0', '70.0', before)], policy }));
  };
  const isHeld = (...args: Parameters<typeof judged>): boolean =>
    judged(...args).findings.some(({ rule, outcome }) => rule.id === 'weight-change-rate' && outcome === 'hold');

  it.each<[string, readonly Condition[], readonly Condition[], string, boolean]>([
    ['nothing was said: 10 % is the limit', [], [], '77.0', false],
    ['nothing was said: more is too much', [], [], '77.1', true],
    ['dialysis between: 15 % is the limit', ['before-dialysis'], ['after-dialysis'], '59.5', false],
    ['dialysis between: more is too much', ['before-dialysis'], ['after-dialysis'], '59.4', true],
    ['oedema in both', ['oedema'], ['oedema'], '80.5', false],
    ['a cast came on', [], ['cast'], '80.5', false],
    ['a cast stayed on', ['cast'], ['cast'], '77.1', true],
    ['the prosthesis came off', ['amputation', 'prosthesis'], ['amputation'], '62.9', false],
    ['a pump came onto the bed', [], ['equipment-on-bed'], '80.6', true],
  ])('widens by the factor where the number stands on something else: %s', (_what, before, now, value, held) => {
    expect(isHeld(before, now, value)).toBe(held);
  });

  it('is said as it was applied', () => {
    const { findings } = judged(['before-dialysis'], ['after-dialysis'], '59.4');
    expect(findings.find(({ rule }) => rule.id === 'weight-change-rate')?.facts['limit']).toBe('15 %');
  });

  it('is what the policy makes of it; a factor of one switches it off', () => {
    expect(isHeld([], ['cast'], '77.1', policyWith({ 'conditions.changeLimitFactor': '1' }))).toBe(true);
    expect(isHeld([], ['cast'], '90.9', policyWith({ 'conditions.changeLimitFactor': '3' }))).toBe(false);
  });
});
