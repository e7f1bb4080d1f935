import { describe, expect, it } from 'vitest';
import { decimal, toText } from '../../../src/core/decimal.ts';
import { weightChange } from '../../../src/core/derive/weight-change.ts';
import { DAY_MS, HOUR_MS } from '../../../src/core/fhir-time.ts';

const NOW = Date.UTC(2026, 2, 2, 8);

function change(kg: string, earlierKg: string, agoMs: number, leastHours = 12): string[] | undefined {
  const result = weightChange({ kg: decimal(kg), atMs: NOW }, { kg: decimal(earlierKg), atMs: NOW - agoMs }, leastHours);
  return result && [result.kg, result.percent, result.kgPerDay].map((figure) => (figure ? toText(figure) : 'none'));
}

describe('a change of weight', () => {
  it.each([
    ['95.0', '100.0', 30 * DAY_MS, ['-5.0', '-5.0', '-0.17']],
    ['100.0', '95.0', 30 * DAY_MS, ['5.0', '5.3', '0.17']],
    ['70.0', '70.0', 10 * DAY_MS, ['0.0', '0.0', '0.00']],
    ['79.96', '80.0', DAY_MS, ['-0.04', '-0.1', '-0.04']], // -0.05 % goes away from zero
    ['3.255', '3.5', 2 * DAY_MS, ['-0.245', '-7.0', '-0.12']], // -0.1225 kg a day
    ['72.0', '70.0', 12 * HOUR_MS, ['2.0', '2.9', '4.00']],
  ])('to %s kg from %s kg, %i ms earlier, is %j', (kg, earlierKg, agoMs, figures) => {
    expect(change(kg, earlierKg, agoMs)).toEqual(figures);
  });

  it('has no rate below the least interval', () => {
    expect(change('72.0', '70.0', 12 * HOUR_MS - 1)).toEqual(['2.0', '2.9', 'none']);
    expect(change('72.0', '70.0', 12 * HOUR_MS - 1, 0)?.[2]).toBe('4.00');
  });

  it('is from an earlier weight that is one', () => {
    expect(change('72.0', '70.0', 0)).toBeUndefined();
    expect(change('72.0', '70.0', -DAY_MS)).toBeUndefined();
    expect(change('72.0', '0.0', DAY_MS)).toBeUndefined();
    expect(change('72.0', '-1.0', DAY_MS)).toBeUndefined();
  });
});
