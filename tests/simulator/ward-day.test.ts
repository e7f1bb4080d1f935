import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { bodyMassIndex, convertedToKilograms, tenths } from '../../examples/simulator/amount.ts';
import { sendWardDay } from '../../examples/simulator/gateway.ts';
import { ROUNDS, wardDay } from '../../examples/simulator/ward-day.ts';
import { stringifyExact } from '../../src/core/json.ts';
import { METHODS } from '../../src/core/methods.ts';
import { OURS } from '../../src/core/terminology.ts';
import { startService } from '../service.ts';

const NOW_MS = Date.parse('2026-03-02T12:00:00Z');
const DAY = wardDay({ seed: 1, nowMs: NOW_MS });

describe('the ward day', () => {
  test('is the same for the same seed and time, and another for another seed', () => {
    const text = (seed: number): string => JSON.stringify(wardDay({ seed, nowMs: NOW_MS }));
    expect(text(5)).toBe(text(5));
    expect(text(5)).not.toBe(text(6));
  });

  test('has one round for each person, and every kind of round by default', () => {
    expect(new Set(DAY.readings.map(({ place }) => place)).size).toBe(ROUNDS.length);
    expect(new Set(wardDay({ seed: 1, nowMs: NOW_MS, people: 40 }).readings.map(({ place }) => place)).size).toBe(40);
  });

  test('has a device for every method that the service knows, and readings in every unit', () => {
    const registered = DAY.registrations.map(({ body }) => JSON.stringify(body));
    for (const method of Object.keys(METHODS))
      expect(registered.some((text) => text.includes(`"${OURS.defaultMethodExtension}","valueCode":"${method}"`))).toBe(true);
    const units = new Set(DAY.readings.map(({ shown }) => shown.split(' ')[1]));
    expect(units).toEqual(new Set(['kg', 'g', 'lb', 'cm', 'in']));
  });

  test('says of its people that they are invented', () => {
    const patients = DAY.registrations.filter(({ path }) => path.startsWith('Patient/'));
    expect(patients).toHaveLength(ROUNDS.length - 1);
    for (const { body } of patients) expect(stringifyExact(body)).toContain('an invented person');
  });

  test('is answered as expected for many seeds', async () => {
    const service = await startService({ now: new Date(NOW_MS).toISOString() });
    try {
      for (let seed = 1; seed <= 12; seed += 1) {
        const answers = await sendWardDay(wardDay({ seed, nowMs: NOW_MS }), { base: service.base, paceMs: 0 });
        expect(answers.filter(({ isAsExpected }) => !isAsExpected)).toEqual([]);
      }
    } finally {
      await service.close();
    }
  });
});

describe('the arithmetic of the simulator', () => {
  test.each([
    ['80.0', 'kg', '160.0', 'cm', '31.3'], // 31.25: half up
    ['154.5', '[lb_av]', '65.125', '[in_i]', '25.6'],
    ['70000', 'g', '175.0', 'cm', '22.9'],
  ] as const)('%s %s and %s %s give %s', (weight, massUnit, height, lengthUnit, bmi) => {
    expect(bodyMassIndex({ digits: weight, unit: massUnit }, { digits: height, unit: lengthUnit })).toBe(bmi);
  });

  test('agrees with ordinary arithmetic wherever that is not on the edge', () => {
    fc.assert(
      fc.property(fc.integer({ min: 300, max: 2500 }), fc.integer({ min: 1300, max: 2100 }), (weight, height) => {
        const exactly = bodyMassIndex(tenths(weight, 'kg'), tenths(height, 'cm'));
        const roughly = (weight / 10 / (height / 1000) ** 2) * 10;
        fc.pre(Math.abs((roughly % 1) - 0.5) > 1e-6);
        expect(exactly).toBe((Math.round(roughly) / 10).toFixed(1));
      }),
    );
  });

  test('converts no pounds of the day into a whole number of tenths of a kilogram, which would be no mistake', () => {
    for (let fifths = 650; fifths <= 1000; fifths += 1) {
      expect(convertedToKilograms(tenths(2 * fifths, '[lb_av]')).digits).not.toMatch(/\.\d0000$/);
    }
  });
});
