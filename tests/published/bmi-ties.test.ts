/**
 * The edges where rounding decides: weights to 0.1 kg and heights to 0.1 cm whose BMI lies
 * exactly on x.x5. CDC/NCHS publishes BMI rounded to one decimal (NHANES Body Measures
 * documentation, BMXBMI); half up is the reading of it that this service states.
 */
import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { bodyMassIndex } from '../../src/core/derive/bmi.ts';
import { toText } from '../../src/core/decimal.ts';
import { quantity, type UnitCode } from '../../src/core/quantity.ts';
import { startService, type Service } from '../service.ts';
import { exactBmi, isTie, roundHalfUp } from './fractions.ts';
import { inGroupsOf, observationText, postBatch, postEntry, pullBmi, type ServedBmi } from './readings.ts';

/** Tenths of kilograms and of centimetres: 30.0 to 199.9 kg, 130.0 to 209.9 cm. */
const WEIGHTS = [300, 1999] as const;
const HEIGHTS = [1300, 2099] as const;

const tenths = (count: number): string => `${Math.floor(count / 10)}.${count % 10}`;

/** Every pair of the range on an edge; found with whole numbers, not with the code under test. */
function ties(): { kg: string; cm: string }[] {
  const found: { kg: string; cm: string }[] = [];
  for (let height = HEIGHTS[0]; height <= HEIGHTS[1]; height++) {
    for (let weight = WEIGHTS[0]; weight <= WEIGHTS[1]; weight++) {
      // BMI = (w/10) / (h/1000)^2 = w * 100000 / h^2; on an edge when twice that, times ten, is an odd whole number
      const twiceTenths = weight * 2_000_000;
      const square = height * height;
      if (twiceTenths % square === 0 && (twiceTenths / square) % 2 === 1) found.push({ kg: tenths(weight), cm: tenths(height) });
    }
  }
  return found;
}

/** Typed: six pairs that binary arithmetic rounds down, with the exact BMI. */
const KNOWN = [
  { kg: '80.0', cm: '160.0', bmi: '31.3' },
  { kg: '48.0', cm: '160.0', bmi: '18.8' },
  { kg: '67.2', cm: '160.0', bmi: '26.3' },
  { kg: '73.6', cm: '160.0', bmi: '28.8' },
  { kg: '57.8', cm: '136.0', bmi: '31.3' },
  { kg: '90.6', cm: '200.0', bmi: '22.7' },
] as const;

const read = (text: string, unit: UnitCode) => {
  const value = quantity(text, unit);
  if (value === undefined) throw new Error(`${text} is no decimal`);
  return value;
};

const TIES = ties();

describe('a BMI exactly on an edge', () => {
  test('there are 461 of them in the adult range, and each is an edge by exact fractions too', () => {
    expect(TIES.length).toBe(461);
    expect(TIES.filter(({ kg, cm }) => !isTie(exactBmi([kg, 'kg'], [cm, 'cm']), 1))).toEqual([]);
  });

  test('binary arithmetic gets some of them wrong, so the edges are worth having', () => {
    const naive = ({ kg, cm }: { kg: string; cm: string }) => (Math.round((Number(kg) / (Number(cm) / 100) ** 2) * 10) / 10).toFixed(1);
    expect(TIES.filter((pair) => naive(pair) !== roundHalfUp(exactBmi([pair.kg, 'kg'], [pair.cm, 'cm']), 1)).length).toBe(30);
  });

  test('is rounded up, all of them', () => {
    const wrong = TIES.filter(
      ({ kg, cm }) => toText(bodyMassIndex(read(kg, 'kg'), read(cm, 'cm'))) !== roundHalfUp(exactBmi([kg, 'kg'], [cm, 'cm']), 1),
    );
    expect(wrong).toEqual([]);
  });

  describe('over HTTP', () => {
    let service: Service;
    let served: Map<string, ServedBmi>;
    beforeAll(async () => {
      service = await startService({ now: '2026-03-02T10:00:00Z' });
      for (const group of inGroupsOf(
        100,
        KNOWN.map((pair, index) => ({ ...pair, person: `edge-${index}` })),
      )) {
        await postBatch(
          service,
          group.flatMap(({ person, kg, cm }) => [
            postEntry(observationText({ person, of: 'height', value: cm, unit: 'cm', at: '2026-03-02T08:00:00Z' })),
            postEntry(observationText({ person, of: 'weight', value: kg, unit: 'kg', at: '2026-03-02T08:05:00Z' })),
          ]),
        );
      }
      served = await pullBmi(service);
    });
    afterAll(() => service.close());

    test.each(KNOWN.map((pair, index) => ({ ...pair, index })))('$kg kg and $cm cm give $bmi', ({ bmi, index, kg, cm }) => {
      expect(served.get(`edge-${index}`)?.value).toBe(bmi);
      expect(isTie(exactBmi([kg, 'kg'], [cm, 'cm']), 1)).toBe(true);
    });
  });
});
