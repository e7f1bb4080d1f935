/** The dry run says what the real call does, and leaves no trace. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import type { ExactObservation } from '../../src/core/observation.ts';
import { arrived, parsed } from '../arrived.ts';
import { bmi, height, observation, weight, type Changes } from '../measurements.ts';
import { openDesk, rulesIn } from './desk.ts';

/** Readings of every fate: accepted, held, refused by rule or by FHIR, sent again, with and without a BMI. */
const anyReading: fc.Arbitrary<object> = fc
  .record({
    make: fc.constantFrom<(value: string, changes: Changes) => ExactObservation>(
      (value, changes) => weight(value, 'kg', changes),
      (value, changes) => weight(`${value.split('.')[0]}.25`, '[lb_av]', changes),
      (value, changes) => height(value, 'cm', changes),
      (value, changes) => observation('3142-7', value, 'kg', changes),
      (_value, changes) => bmi('31.3', changes),
    ),
    value: fc.constantFrom('80.0', '160.0', '170.5', '300.0', '70.33', '1.5', '0.0', '72'),
    hour: fc.integer({ min: 6, max: 11 }),
    person: fc.constantFrom('Patient/ada', 'Patient/bo'),
    more: fc.constantFrom<Changes>(
      {},
      {},
      { status: 'preliminary' },
      { status: 'done' },
      { identifier: [{ system: 'urn:r', value: '1' }] },
      { device: { reference: 'Device/s1' } },
      { subject: undefined },
      { category: undefined },
    ),
  })
  .map(({ make, value, hour, person, more }) =>
    make(value, { subject: { reference: person }, effectiveDateTime: `2026-03-02T${String(hour).padStart(2, '0')}:00:00Z`, ...more }),
  );

describe('a dry run', () => {
  it('has the verdict, findings, enriched reading and BMI of the real run after it, and changes nothing', async () => {
    await fc.assert(
      fc.asyncProperty(fc.array(anyReading, { minLength: 1, maxLength: 8 }), async (readings) => {
        const desk = await openDesk();
        await desk.put('Patient', { resourceType: 'Patient', id: 'ada', birthDate: '1980-05-17' } as never);
        for (const reading of readings) {
          const before = await desk.counts();
          const assessed = await desk.intake.assess(arrived(reading).tree);
          expect(await desk.counts()).toEqual(before);
          const answer = await desk.post(reading);
          expect(answer.verdict).toBe(assessed.verdict);
          expect(rulesIn(answer)).toEqual(rulesIn(assessed));
          if (answer.status === 200 || answer.verdict === 'refused') continue;
          const id = answer.resource!.id;
          const stored = parsed(answer.resource!.text);
          expect(comparable(assessed.observation!, String(assessed.observation!['id']))).toEqual(comparable(stored, id));
          const derived = await Promise.all(
            assessed.derived.map(async (one) =>
              comparable(await desk.tree(String(one['id']).replace(String(assessed.observation!['id']), id)), id),
            ),
          );
          expect(assessed.derived.map((one) => comparable(one, String(assessed.observation!['id'])))).toEqual(derived);
        }
        await desk.store.close();
      }),
      { numRuns: 25 },
    );
  });

  it('of a reading that is stored already says so', async () => {
    const desk = await openDesk();
    await desk.post(weight());
    const assessed = await desk.intake.assess(arrived(weight()).tree);
    expect(assessed).toMatchObject({ verdict: 'accepted', derived: [] });
    expect(rulesIn(assessed)).toEqual(['resent']);
    expect(assessed).not.toHaveProperty('observation');
  });

  it('of something that is no FHIR is refused', async () => {
    const desk = await openDesk();
    expect(await desk.intake.assess('text')).toMatchObject({ verdict: 'refused', derived: [] });
    expect(await desk.counts()).toMatchObject({ refusals: 0 });
  });
});

/** Text without what only the store says, and with one name for the id that the reading got. */
function comparable(tree: object, id: string): unknown {
  const { meta, ...rest } = tree as { meta?: object };
  const { versionId: _versionId, lastUpdated: _lastUpdated, ...otherMeta } = (meta ?? {}) as Record<string, unknown>;
  return parsed(arrived({ ...rest, meta: otherMeta }).text.replaceAll(`${id}"`, 'ID"'));
}
