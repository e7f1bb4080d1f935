/** The committed evidence: its rules exist, and it meets its target. */
import { describe, expect, it } from 'vitest';
import { RULES } from '../../../src/core/rules/index.ts';
import { EXPECTED_RULES } from './expected-rules.ts';
import { committedResult, healthyAlarmShare, meetsTarget } from './result.ts';

describe('the committed result', () => {
  it('has at most one false alarm in a thousand right measurements of healthy adults, of many', () => {
    const result = committedResult();
    expect(result.size).toBe('full');
    expect(result.groups['healthy-adults']?.alarms.measurements).toBeGreaterThan(10_000);
    expect(healthyAlarmShare(result)?.share).toBeLessThanOrEqual(1 / 1000);
    expect(meetsTarget(result)).toBe(true);
  });
});

describe('the rules that count as naming an error', () => {
  const known = new Set(RULES.map(({ id }) => id));

  it.each(Object.entries(EXPECTED_RULES))('of %s exist', (_kind, rules) => {
    expect(rules.filter((id) => !known.has(id))).toEqual([]);
  });
});
