import { describe, expect, test } from 'vitest';
import { decimal, divideHalfUp, toText } from '../../src/core/decimal.ts';
import { estimatedHeight, HEIGHT_ESTIMATES } from '../../src/core/derive/estimated-height.ts';
import { ageAt } from '../../src/core/fhir-time.ts';
import { quantity } from '../../src/core/quantity.ts';
import { LONGEST_ULNA_CM, ULNA_STEP_CM, ULNA_TABLE } from './ulna-table.ts';

const NOW = Date.UTC(2026, 2, 2, 8);

/** Metres to the centimetre, rounded once: a length to half a centimetre gives three decimals of a centimetre. */
function metresOf(ulna: string, sex: 'male' | 'female', years: number): string {
  const height = estimatedHeight('ulna-length', quantity(ulna, 'cm')!, { sex, age: ageAt(`${2026 - years}-01-15`, NOW) }, 3);
  if (typeof height === 'string') throw new Error(`no height from an ulna of ${ulna} cm: ${height}`);
  return toText(divideHalfUp(height, decimal('100'), 2));
}

describe('height from ulna length as BAPEN prints it', () => {
  describe.each(ULNA_TABLE)('$title', ({ sex, years, metres, belowEquation }) => {
    const cells = metres.map((printed, row) => ({ ulna: (LONGEST_ULNA_CM - row * ULNA_STEP_CM).toFixed(1), printed }));

    test('has 28 lengths, which are those that the service takes', () => {
      expect(cells).toHaveLength(28);
      expect([cells.at(-1)?.ulna, cells[0]?.ulna]).toEqual(HEIGHT_ESTIMATES['ulna-length'].lengths);
    });

    test('is the equation rounded to the centimetre, but for the cells named in the table', () => {
      const different = cells.filter(({ ulna, printed }) => metresOf(ulna, sex, years) !== printed);
      expect(different.map(({ ulna }) => ulna)).toEqual(belowEquation);
    });

    test('is nowhere more than a centimetre from it', () => {
      const off = cells.map(({ ulna, printed }) => Math.round((Number(metresOf(ulna, sex, years)) - Number(printed)) * 100));
      expect(off.filter((centimetres) => centimetres !== 0 && centimetres !== 1)).toEqual([]);
    });
  });

  test('ends at 1.94, 1.87, 1.84 and 1.84 m', () => {
    expect(ULNA_TABLE.map(({ sex, years }) => metresOf('32.0', sex, years))).toEqual(['1.94', '1.87', '1.84', '1.84']);
  });
});
