import { describe, expect, it } from 'vitest';
import { DEFAULT_POLICY, DEFAULT_SETTINGS, overridePolicy, type Policy, type PolicyProblem } from '../../src/core/policy.ts';
import { MOVABLE_RULES } from '../../src/core/rules/index.ts';

function overridden(overrides: Record<string, unknown>): Policy {
  const result = overridePolicy(overrides, MOVABLE_RULES);
  if (!result.ok) throw new Error(result.problems.map(({ name, problem }) => `${name}: ${problem}`).join('; '));
  return result.policy;
}

function problemsOf(overrides: Record<string, unknown>): readonly PolicyProblem[] {
  const result = overridePolicy(overrides, MOVABLE_RULES);
  return result.ok ? [] : result.problems;
}

describe('the default policy', () => {
  it.each(Object.entries(DEFAULT_SETTINGS))('says of %s what it means and where it comes from', (_name, { means, source }) => {
    expect(means.length).toBeGreaterThan(10);
    expect(source.length).toBeGreaterThan(10);
  });

  it('stays when nothing is overridden', () => {
    expect({ ...overridden({}), version: DEFAULT_POLICY.version }).toEqual(DEFAULT_POLICY);
  });
});

describe('an override', () => {
  it('replaces settings of each kind by name', () => {
    const { values } = overridden({
      metricOnly: true,
      'time.oldestDays': 7,
      'precision.kg': '0.05',
      'bmi.hold.withPrior.high': 75.5,
      'qualifiers.shape': 'extension',
    });
    expect(values).toEqual({
      ...DEFAULT_POLICY.values,
      metricOnly: true,
      'time.oldestDays': 7,
      'precision.kg': '0.05',
      'bmi.hold.withPrior.high': '75.5',
      'qualifiers.shape': 'extension',
    });
  });

  it('replaces one end of one limit and leaves the default policy alone', () => {
    const { limits } = overridden({ 'limits.adult.weight.hold.high': '300', 'limits.adult.height.refuse.low': 60 });
    expect(limits.adult.weight).toEqual({ refuse: ['2', '650'], hold: ['34.0', '300'] });
    expect(limits.adult.height.refuse).toEqual(['60', '275']);
    expect(DEFAULT_POLICY.limits.adult.weight.hold).toEqual(['34.0', '272.2']);
  });

  it('gives an inner band to what has none, beginning at the outer one', () => {
    expect(overridden({ 'limits.adult.bmi.hold.low': '10' }).limits.adult.bmi).toEqual({ refuse: ['5', '200'], hold: ['10', '200'] });
  });

  it('moves a rule that may be moved', () => {
    expect(overridden({ 'rule.scale-coarse': 'warn', 'rule.written-decimals': 'refuse' }).outcomes).toEqual({
      'scale-coarse': 'warn',
      'written-decimals': 'refuse',
    });
  });

  it.each<[string, unknown, string]>([
    ['metricOnly', 'yes', 'must be true or false'],
    ['metric.only', true, 'no setting has this name; did you mean "metricOnly"?'],
    ['time.oldestDay', 7, 'no setting has this name; did you mean "time.oldestDays"?'],
    ['Time.OldestDays', 7, 'no setting has this name; did you mean "time.oldestDays"?'],
    ['limits.adult.wieght.hold.high', '250', 'no limit has this name; did you mean "limits.adult.weight.hold.high"?'],
    [
      'limits.adult.change.within30days.gainPercent',
      '12',
      'no limit has this name; did you mean "limits.adult.change.within30Days.gainPercent"?',
    ],
    ['rule.scale-corse', 'warn', 'no rule of this name can be moved by the policy; did you mean "rule.scale-coarse"?'],
    ['limits', { adult: {} }, 'no setting has this name; names are written in one piece, such as "limits.adult.weight.hold.high"'],
    ['toString', true, 'no setting has this name'],
    ['time.oldestDays', 1.5, 'must be a whole number, zero or more'],
    ['time.oldestDays', -1, 'must be a whole number, zero or more'],
    ['time.oldestDays', '7', 'must be a whole number, zero or more'],
    ['precision.kg', 'fine', 'must be a decimal number, zero or more'],
    ['precision.kg', '-0.1', 'must be a decimal number, zero or more'],
    ['precision.kg', null, 'must be a decimal number, zero or more'],
    ['precision.kg', '0.0', 'must be more than zero'],
    ['conditions.changeLimitFactor', '0.9', 'must be a decimal number, 1 or more'],
    ['precision.kg', Number.NaN, 'must be a decimal number, zero or more'],
    ['qualifiers.shape', 'both', 'must be one of component, extension'],
    ['limits.adult.weight.hold', '300', 'no limit has this name'],
    ['limits.adult.weight.hold.high.more', '300', 'no limit has this name'],
    ['limits.elder.weight.hold.high', '300', 'no limit has this name'],
    ['limits.adult.girth.hold.high', '300', 'no limit has this name'],
    ['limits.constructor.weight.hold.high', '300', 'no limit has this name'],
    ['limits.adult.weight.hold.high', 'much', 'must be a decimal number, zero or more'],
    ['rule.precision-step', 'warn', 'no rule of this name can be moved by the policy'],
    ['rule.no-such-rule', 'warn', 'no rule of this name can be moved by the policy'],
    ['rule.scale-coarse', 'ignore', 'must be one of refuse, hold, warn, inform, off'],
  ])('%s = %j is refused: %s', (name, value, problem) => {
    expect(problemsOf({ [name]: value })).toEqual([{ name, problem }]);
  });

  it('that turns a limit around is refused', () => {
    expect(problemsOf({ 'limits.adult.weight.hold.low': '300' })).toEqual([
      { name: 'limits.adult.weight.hold.low', problem: 'must be below limits.adult.weight.hold.high, which is 272.2' },
    ]);
  });

  it('that turns a limit around from above is named by the end that the file sets', () => {
    expect(problemsOf({ 'limits.adult.weight.hold.high': '30' })).toEqual([
      { name: 'limits.adult.weight.hold.high', problem: 'must be above limits.adult.weight.hold.low, which is 34.0' },
    ]);
  });

  it('that leaves nothing between two limits is refused', () => {
    expect(problemsOf({ 'limits.adult.weight.hold.low': '100', 'limits.adult.weight.hold.high': '100.0' })).toHaveLength(1);
  });

  it('that turns the ends of a BMI band around is refused', () => {
    expect(problemsOf({ 'bmi.hold.firstWeight.low': '61' })).toEqual([
      { name: 'bmi.hold.firstWeight.low', problem: 'must be below bmi.hold.firstWeight.high, which is 60' },
    ]);
  });

  it('names every problem at once', () => {
    expect(problemsOf({ metricOnly: 1, nonsense: 1, 'rule.x': 'warn', 'time.oldestDays': 7 }).map(({ name }) => name)).toEqual([
      'metricOnly',
      'nonsense',
      'rule.x',
    ]);
  });
});
