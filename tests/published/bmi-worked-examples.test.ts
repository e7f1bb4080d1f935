import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { bodyMassIndex } from '../../src/core/derive/bmi.ts';
import { decimal, toText } from '../../src/core/decimal.ts';
import type { UnitCode } from '../../src/core/quantity.ts';
import { startService, type Service } from '../service.ts';
import { BMI_EXAMPLES, EXCHANGED, UNIT_MISTAKES } from './bmi-worked-examples.ts';
import { exactBmi, inSi, roundHalfUp } from './fractions.ts';
import { issueRules, observationText, patientText, postBatch, postEntry, pullBmi, putEntry } from './readings.ts';

const AT = '2026-03-02T08:05:00Z';
const BEFORE = '2026-03-02T08:00:00Z';

const quantityOf = ([digits, unit]: readonly [string, string]) => ({ value: decimal(digits), unit: unit as UnitCode });

describe('published BMI examples', () => {
  let service: Service;
  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
  });
  afterAll(() => service.close());

  test.each(BMI_EXAMPLES)('$title: $expected ($source)', ({ input: { weight, height }, expected }) => {
    const decimals = expected.split('.')[1]?.length ?? 0;
    expect(roundHalfUp(exactBmi(weight, height), decimals)).toBe(expected);
    expect(toText(bodyMassIndex(quantityOf(weight), quantityOf(height), decimals))).toBe(expected);
  });

  const recordable = BMI_EXAMPLES.map((example, index) => ({ ...example, person: `example-${index}` })).filter(
    ({ input: { weight } }) => !weight[0].startsWith('20.09'),
  );

  test('over HTTP each gives the printed BMI to one decimal', async () => {
    const entries = recordable.flatMap(({ person, input: { weight, height }, years = 40 }) => [
      putEntry(patientText(person, `${2026 - years - 1}-09-01`, 'female'), `Patient/${person}`),
      postEntry(observationText({ person, of: 'height', value: height[0], unit: height[1], at: BEFORE })),
      postEntry(observationText({ person, of: 'weight', value: weight[0], unit: weight[1], at: AT })),
    ]);
    const answers = await postBatch(service, entries);
    expect(answers.map(({ status }) => status)).toEqual(answers.map(() => 201));
    const served = await pullBmi(service);
    expect(recordable.map(({ person }) => served.get(person)?.value)).toEqual(
      recordable.map(({ input: { weight, height } }) => roundHalfUp(exactBmi(weight, height), 1)),
    );
  });
});

describe('published mistakes', () => {
  let service: Service;
  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
  });
  afterAll(() => service.close());

  test.each(UNIT_MISTAKES)('$title is not taken for a reading ($source)', async ({ input, expected }) => {
    const person = 'toddler';
    const born = new Date(Date.UTC(2026, 2 - input.ageMonths, 1)).toISOString().slice(0, 10);
    await postBatch(service, [putEntry(patientText(person, born, 'male'), `Patient/${person}`)]);
    const answer = await service.post(
      'Observation',
      observationText({ person, of: 'weight', value: input.value, unit: input.unit, at: AT }),
    );
    expect([answer.status, issueRules(answer)]).toEqual([202, expect.arrayContaining(['value-unusual'])]);
    expect(roundHalfUp(inSi(expected.meant, '[lb_av]'), 1)).toBe(expected.kilograms);
  });

  test(`${EXCHANGED.title} is not taken for a reading (${EXCHANGED.source})`, async () => {
    const person = 'exchanged';
    const [, height, weight] = await postBatch(service, [
      putEntry(patientText(person, '1985-06-01', 'female'), `Patient/${person}`),
      postEntry(observationText({ person, of: 'height', value: EXCHANGED.input.height, unit: 'cm', at: BEFORE })),
      postEntry(observationText({ person, of: 'weight', value: EXCHANGED.input.weight, unit: 'kg', at: AT })),
    ]);
    // by itself 57 cm could be inches; once the weight is there, both halves are seen to be exchanged
    expect([height?.status, height?.rules]).toEqual([202, expect.arrayContaining(['mixup-inches-as-centimetres'])]);
    expect([weight?.status, weight?.rules]).toEqual([202, expect.arrayContaining(['mixup-weight-height'])]);
    expect((await pullBmi(service)).has(person)).toBe(false);
  });
});
