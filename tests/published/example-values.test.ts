import { afterAll, beforeAll, describe, expect, test } from 'vitest';
import { startService, type Service } from '../service.ts';
import { CONVERSION_HINTS, EXAMPLE_VALUES } from './example-values.ts';
import { issueRules, observationText } from './readings.ts';

const AT = '2026-03-02T08:05:00Z';

describe('values of published examples', () => {
  let service: Service;
  beforeAll(async () => {
    service = await startService({ now: '2026-03-02T10:00:00Z' });
  });
  afterAll(() => service.close());

  const rows = EXAMPLE_VALUES.map((row, index) => ({ ...row, person: `person-${index}` }));

  test.each(rows)('$of $value $unit is answered $status', async ({ person, of, value, unit, status, rules }) => {
    const sent = observationText({ person, of, value, unit, at: AT });
    const answer = await service.post('Observation', sent, { Prefer: 'return=OperationOutcome' });
    expect(answer.status, answer.text).toBe(status);
    const named = issueRules(answer).filter((rule) => rule !== 'person-unknown' && rule !== 'bmi-not-derived');
    expect(named.sort()).toEqual([...rules].sort());
    if (status === 422) expect(answer.text).toContain(`${value} ${unit} is not a whole number`);
  });

  test('what was accepted is served with the digits that were sent', async () => {
    for (const { person, value } of rows.filter(({ status }) => status === 201)) {
      const found = await service.call('GET', `/fhir/Observation?patient=${person}`);
      expect(found.text.match(/"valueQuantity":\{"value":([^,]+),/)?.[1]).toBe(value);
    }
  });

  test.each(CONVERSION_HINTS)('$value $unit is recognised as $hint converted', async ({ of, value, unit, hint }) => {
    const answer = await service.post('Observation', observationText({ person: 'hint', of, value, unit, at: AT }));
    expect(answer.status).toBe(422);
    expect(answer.text).toContain(`it is ${hint} converted`);
  });
});
