import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { startService, type Service } from '../service.ts';
import { exactBmi, roundHalfUp } from './fractions.ts';
import { NHLBI_BMI, NHLBI_ROWS, NHLBI_TITLE } from './nhlbi-bmi-table.ts';
import { inGroupsOf, observationText, postBatch, postEntry, pullBmi, type ServedBmi } from './readings.ts';

const CELLS = NHLBI_ROWS.flatMap(([inches, pounds]) =>
  pounds.map((weight, column) => ({ inches, weight, printed: NHLBI_BMI[column] ?? Number.NaN, person: `cell-${inches}-${weight}` })),
);

describe(NHLBI_TITLE, () => {
  let service: Service;
  let served: Map<string, ServedBmi>;

  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
    for (const group of inGroupsOf(50, CELLS)) {
      const answers = await postBatch(
        service,
        group.flatMap(({ person, inches, weight }) => [
          postEntry(observationText({ person, of: 'height', value: `${inches}.0`, unit: '[in_i]', at: '2026-03-02T08:00:00Z' })),
          postEntry(observationText({ person, of: 'weight', value: `${weight}.0`, unit: '[lb_av]', at: '2026-03-02T08:05:00Z' })),
        ]),
      );
      expect(answers.map(({ status }) => status)).toEqual(answers.map(() => 201));
    }
    served = await pullBmi(service);
  });
  afterAll(() => service.close());

  test('at least 60 cells are checked, each with a BMI of its own', () => {
    expect(CELLS.length).toBeGreaterThanOrEqual(60);
    expect(served.size).toBe(CELLS.length);
  });

  test.each(CELLS)('$weight lb at $inches in is a BMI of $printed', ({ inches, weight, printed, person }) => {
    const exact = exactBmi([String(weight), '[lb_av]'], [String(inches), '[in_i]']);
    expect(roundHalfUp(exact, 0)).toBe(String(printed));
    const bmi = served.get(person);
    expect(bmi).toEqual({ value: roundHalfUp(exact, 1), unit: 'kg/m2' });
    // a value published to one decimal is at most 0.05 from the exact one, so x.5 may belong to either side
    expect(Math.abs(Number(bmi?.value) - printed)).toBeLessThanOrEqual(0.5);
  });
});
