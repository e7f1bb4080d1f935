import { describe, expect, test } from 'vitest';
import { compare, decimal, multiply, roundHalfUp, toText } from '../../src/core/decimal.ts';
import { BODY_SURFACE_FORMULAS, bodySurfaceArea, type BodySurfaceFormula } from '../../src/core/derive/body-surface.ts';
import { CHANGE_THRESHOLDS } from '../../src/core/derive/change-thresholds.ts';
import { adjustedBodyWeight, idealBodyWeight } from '../../src/core/derive/ideal-weight.ts';
import { percentMissing, wholeBodyWeight } from '../../src/core/derive/limb-loss.ts';
import { significantChanges } from '../../src/core/derive/significant-change.ts';
import { DAY_MS } from '../../src/core/fhir-time.ts';
import { inBaseUnit, quantity } from '../../src/core/quantity.ts';
import { ADJUSTED_WEIGHT, BODY_SURFACE, IDEAL_WEIGHT, LIMB_LOSS, LONG_TERM_CARE } from './derived-figures.ts';

const inches = (text: string) => quantity(text, '[in_i]')!;
const kilograms = (text: string) => quantity(text, 'kg')!;
const formulas = Object.keys(BODY_SURFACE_FORMULAS) as BodySurfaceFormula[];

describe('body surface area', () => {
  test.each(BODY_SURFACE)('of $cm cm and $kg kg ($source)', (example) => {
    const areas = formulas.map((formula) => bodySurfaceArea(kilograms(example.kg), quantity(example.cm, 'cm')!, formula, 4)!);
    expect(areas.map(toText)).toEqual(formulas.map((formula) => example[formula]));
  });

  test('of 170 cm and 70 kg by Mosteller is printed as 1.818', () => {
    expect(toText(bodySurfaceArea(kilograms('70'), quantity('170', 'cm')!, 'mosteller', 3)!)).toBe('1.818');
  });
});

describe('weights by height', () => {
  test.each(IDEAL_WEIGHT)('the ideal weight of $inches in, $sex, is $kg kg ($source)', (example) => {
    expect(toText(idealBodyWeight(inches(example.inches), example.sex)!)).toBe(example.kg);
  });

  test.each(ADJUSTED_WEIGHT)('the adjusted weight of $inches in, $sex, $actual kg, is $kg kg ($source)', (example) => {
    expect(toText(adjustedBodyWeight(kilograms(example.actual), inches(example.inches), example.sex)!)).toBe(example.kg);
  });

  test(`${LIMB_LOSS.measured} kg with ${LIMB_LOSS.percent} % missing is ${LIMB_LOSS.kg} kg (${LIMB_LOSS.source})`, () => {
    expect(toText(percentMissing([LIMB_LOSS.lost]))).toBe(LIMB_LOSS.percent);
    expect(toText(wholeBodyWeight(kilograms(LIMB_LOSS.measured), [LIMB_LOSS.lost], 2)!)).toBe(LIMB_LOSS.kg);
  });
});

describe(`${LONG_TERM_CARE.title} (${LONG_TERM_CARE.source})`, () => {
  const NOW = Date.UTC(2026, 2, 2, 8);
  const pounds = (text: string) => inBaseUnit(quantity(text, '[lb_av]')!);
  const ofTheManual = CHANGE_THRESHOLDS.filter(({ family }) => family === 'long-term-care');
  const reachedAt = (current: string) =>
    significantChanges(
      { kg: pounds(current), atMs: NOW },
      [
        { id: '30', kg: pounds(LONG_TERM_CARE.thirtyDaysAgo), atMs: NOW - 30 * DAY_MS },
        { id: '180', kg: pounds(LONG_TERM_CARE.halfYearAgo), atMs: NOW - 180 * DAY_MS },
      ],
      { ageMonths: 82 * 12 },
      { thresholds: ofTheManual },
    );

  test('has lost 10 % in 180 days and not 5 % in 30', () => {
    expect(reachedAt(LONG_TERM_CARE.current).map(({ threshold, earlierId }) => [threshold.id, earlierId])).toEqual(
      LONG_TERM_CARE.reached.map((id) => [id, '180']),
    );
    expect(reachedAt(LONG_TERM_CARE.current)[0]?.percentText).toBe('12.0'); // 23 of 192 lb
  });

  test.each([
    [LONG_TERM_CARE.limits.thirtyDays, 'long-term-care-loss-30-days', LONG_TERM_CARE.thirtyDaysAgo, '0.95'],
    [LONG_TERM_CARE.limits.halfYear, 'long-term-care-loss-180-days', LONG_TERM_CARE.halfYearAgo, '0.90'],
  ])('a weight of %s lb, as the manual computes it, is the first to reach %s', (limit, id, before, share) => {
    const isReached = (current: string) => reachedAt(current).some(({ threshold }) => threshold.id === id);
    expect(compare(multiply(decimal(before), decimal(share)), decimal(limit))).toBe(0);
    expect([isReached(limit), isReached(toText(roundHalfUp(decimal(limit), 2)).replace(/0$/, '1'))]).toEqual([true, false]);
  });
});
