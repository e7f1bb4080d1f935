/** Every limit of every age band, in every unit: equal passes, one step beyond does not. */
import { describe, expect, it } from 'vitest';
import { AGE_BANDS, type AgeBand } from '../../../src/core/age-bands.ts';
import { add, compare, decimal, divideHalfUp, multiply, subtract, toText, type Decimal } from '../../../src/core/decimal.ts';
import { evaluate } from '../../../src/core/evaluate.ts';
import { UNITS, type UnitCode } from '../../../src/core/quantity.ts';
import { ADA, context, height, weight } from '../../measurements.ts';

/** A birth date in the middle of each band, on the day of measuring. */
const BORN: Readonly<Record<AgeBand, string | undefined>> = {
  newborn: '2026-02-20',
  'young-infant': '2025-12-20',
  'older-infant': '2025-06-20',
  toddler: '2024-09-20',
  'small-child': '2023-01-20',
  child: '2019-01-20',
  'young-teenager': '2014-01-20',
  'older-teenager': '2009-01-20',
  adult: '1980-05-17',
  'age-unknown': undefined,
};

/** Steps that are on the grid at every age. */
const STEP: Readonly<Record<UnitCode, string>> = { kg: '0.1', g: '100', '[lb_av]': '0.25', cm: '0.1', '[in_i]': '0.125' };

type Edge = 'refuse' | 'hold';

function outcomeOf(value: string, unit: UnitCode, band: AgeBand): readonly string[] {
  const birthDate = BORN[band];
  const person = birthDate === undefined ? { key: 'Patient/ada', known: true } : { ...ADA, birthDate };
  const of = UNITS[unit].of === 'weight' ? weight(value, unit) : height(value, unit);
  return evaluate(of, context({ person })).findings.flatMap(({ rule, outcome }) =>
    rule.family === 'plausibility' ? [`${outcome}: ${rule.id}`] : [],
  );
}

/** The last value on the grid of the unit that is within the limit, and the first beyond it. */
function aroundLimit(limit: string, end: 'low' | 'high', unit: UnitCode): { readonly within: string; readonly beyond: string } {
  const step = decimal(STEP[unit]);
  const inUnit = multiply(divideHalfUp(decimal(limit), multiply(UNITS[unit].factor, step), 0), step);
  const outward = (from: Decimal): Decimal => (end === 'high' ? add(from, step) : subtract(from, step));
  const inward = (from: Decimal): Decimal => (end === 'high' ? subtract(from, step) : add(from, step));
  const isWithin = (value: Decimal): boolean => {
    const side = compare(multiply(value, UNITS[unit].factor), decimal(limit));
    return end === 'high' ? side <= 0 : side >= 0;
  };
  const within = isWithin(inUnit) ? inUnit : inward(inUnit);
  return { within: toText(within), beyond: toText(outward(within)) };
}

const CASES = (Object.keys(AGE_BANDS) as AgeBand[]).flatMap((band) =>
  (Object.keys(UNITS) as UnitCode[]).flatMap((unit) =>
    (['refuse', 'hold'] as const).flatMap((edge) =>
      (['low', 'high'] as const).map((end) => {
        const limits: { readonly refuse: readonly [string, string]; readonly hold: readonly [string, string] } =
          AGE_BANDS[band][UNITS[unit].of];
        const limit = limits[edge][end === 'low' ? 0 : 1];
        return { band, unit, edge, end, limit, isLast: limits.refuse[end === 'low' ? 0 : 1] === limits.hold[end === 'low' ? 0 : 1] };
      }),
    ),
  ),
);

const RULE: Readonly<Record<Edge, string>> = { refuse: 'refuse: value-impossible', hold: 'hold: value-unusual' };

describe('a limit', () => {
  it.each(CASES)('of $band, $edge $end, $limit in $unit: equal passes, beyond does not', ({ band, unit, edge, end, limit, isLast }) => {
    const { within, beyond } = aroundLimit(limit, end, unit);
    expect(outcomeOf(within, unit, band)).not.toContain(RULE[edge]);
    const found = outcomeOf(beyond, unit, band);
    if (Number(beyond) <= 0) expect(found).toEqual([Number(beyond) === 0 ? 'refuse: value-zero' : 'refuse: value-negative']);
    else expect(found).toEqual([edge === 'hold' && isLast ? RULE.refuse : RULE[edge]]);
  });

  it('in metric units is met exactly, so that equal really means equal', () => {
    const metric = CASES.filter(({ unit }) => unit === 'kg' || unit === 'g' || unit === 'cm');
    const met = metric.filter(({ limit, end, unit }) => {
      const { within } = aroundLimit(limit, end, unit);
      return compare(multiply(decimal(within), UNITS[unit].factor), decimal(limit)) === 0;
    });
    expect(met).toHaveLength(metric.length);
  });
});
