/** Every rule that checks has rows, and every rule is a good citizen of the list. */
import { describe, expect, it } from 'vitest';
import { DEFAULT_SETTINGS } from '../../../src/core/policy.ts';
import { MOVABLE_RULES, RULES } from '../../../src/core/rules/index.ts';
import type { Rule } from '../../../src/core/rules/rule.ts';
import { weight } from '../../measurements.ts';
import { problemsOf, ruleTester, type RuleRows } from './rule-tester.ts';
import { CALIBRATION_ROWS } from './rows/calibration.ts';
import { CHANGE_ROWS } from './rows/change.ts';
import { CONDITION_ROWS } from './rows/condition.ts';
import { DEVICE_ROWS } from './rows/device.ts';
import { ESTIMATED_HEIGHT_ROWS } from './rows/estimated-height.ts';
import { GROWTH_ROWS } from './rows/growth.ts';
import { MIX_UP_ROWS } from './rows/mixup.ts';
import { PERSON_ROWS } from './rows/person.ts';
import { PLAUSIBILITY_ROWS } from './rows/plausibility.ts';
import { PRECISION_ROWS } from './rows/precision.ts';
import { PROFILE_ROWS } from './rows/profile.ts';
import { TARE_ROWS } from './rows/tare.ts';
import { SIGNIFICANT_CHANGE_ROWS } from './rows/significant.ts';
import { TIME_ROWS } from './rows/time.ts';
import { UNIT_ROWS } from './rows/unit.ts';

const ROWS: Readonly<Record<string, RuleRows>> = {
  ...PROFILE_ROWS,
  ...CONDITION_ROWS,
  ...PERSON_ROWS,
  ...TIME_ROWS,
  ...UNIT_ROWS,
  ...PRECISION_ROWS,
  ...PLAUSIBILITY_ROWS,
  ...MIX_UP_ROWS,
  ...CHANGE_ROWS,
  ...SIGNIFICANT_CHANGE_ROWS,
  ...GROWTH_ROWS,
  ...ESTIMATED_HEIGHT_ROWS,
  ...DEVICE_ROWS,
  ...CALIBRATION_ROWS,
  ...TARE_ROWS,
};

for (const [id, rows] of Object.entries(ROWS)) {
  const rule = RULES.find((one) => one.id === id);
  if (rule) ruleTester(rule, rows);
}

describe('the list of rules', () => {
  it('has rows for exactly the rules that check', () => {
    const checking = RULES.filter(({ check, among }) => check ?? among).map(({ id }) => id);
    expect(Object.keys(ROWS).sort()).toEqual(checking.sort());
  });

  it('names each rule once, in kebab case', () => {
    const ids = RULES.map(({ id }) => id);
    expect(new Set(ids).size).toBe(ids.length);
    expect(ids.filter((id) => !/^[a-z][a-z0-9]*(-[a-z0-9]+)*$/.test(id))).toEqual([]);
  });

  it.each(RULES.map((rule) => [rule.id, rule] as const))('%s says where it comes from and what to do', (_id, rule) => {
    expect(rule.source.length).toBeGreaterThan(8);
    expect(rule.title).not.toMatch(/[.{}]/);
    expect(sentencesOf(rule)).toBeGreaterThanOrEqual(2);
    expect(rule.explain.trim()).toBe(rule.explain);
    expect(rule.expression).toMatch(/^(Observation|Device|http\.)/);
  });

  it('names only settings that the policy has', () => {
    const known = new Set([...Object.keys(DEFAULT_SETTINGS), 'limits.weight', 'limits.height', 'limits.bmi', 'limits.change']);
    expect(RULES.flatMap(({ settings = [] }) => settings).filter((name) => !known.has(name))).toEqual([]);
  });

  it('lets a policy move no rule without which a reading could not be decoded', () => {
    const undecodable = ['code-not-served', 'codes-conflict', 'effective-missing', 'unit-code', 'quantity-incomplete', 'precision-step'];
    expect(undecodable.filter((id) => MOVABLE_RULES.has(id))).toEqual([]);
    expect(MOVABLE_RULES.has('scale-coarse')).toBe(true);
  });
});

/** `{reason}` and `{remedy}` are sentences or halves of them; the fact and the advice count. */
function sentencesOf({ explain }: Rule): number {
  return explain.split(/(?<=[.?!}])\s+(?=[A-Z{])/).length;
}

describe('the tester of rules', () => {
  const rule: Rule = {
    id: 'sample',
    title: 'A sample',
    family: 'unit',
    outcome: 'refuse',
    movable: false,
    code: 'value',
    expression: 'Observation',
    source: 'local policy',
    explain: 'It is {so}. Change it.',
    check: () => undefined,
  };
  const as = { outcome: 'refuse', code: 'value', expression: 'Observation' } as const;
  const good: RuleRows = {
    as,
    accepts: [{ title: 'a', observation: weight('70.0') }],
    rejects: [{ title: 'b', observation: weight('70.1'), message: 'It is so. Change it.' }],
  };

  it('is content with good rows', () => {
    expect(problemsOf(rule, good)).toEqual([]);
  });

  it('refuses the same row twice, the same title twice, and rows of one kind only', () => {
    const twice = { ...good, accepts: [{ title: 'a', observation: weight('70.1') }] };
    expect(problemsOf(rule, twice)).toEqual(['two rows are the same']);
    expect(problemsOf(rule, { ...good, accepts: [{ title: 'b', observation: weight('70.0') }] })).toEqual(['two rows have one title']);
    expect(problemsOf(rule, { as, accepts: [], rejects: [] })).toEqual([
      'there is no row that it lets pass',
      'there is no row that it finds',
    ]);
  });

  it('refuses a placeholder in a message, a rule without a source and a rule without a check', () => {
    const [row] = good.rejects;
    const unfilled = { ...good, rejects: [{ ...row!, message: 'It is {so}. Change it.' }] };
    expect(problemsOf(rule, unfilled)).toEqual(['a message has a placeholder that is not filled']);
    expect(problemsOf({ ...rule, source: ' ' }, good)).toEqual(['the rule names no source']);
    const { check: _check, ...passport } = rule;
    expect(problemsOf(passport, good)).toEqual(['the rule has no check']);
  });
});
