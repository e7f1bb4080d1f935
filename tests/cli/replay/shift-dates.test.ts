import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { shifted, shiftedTime } from '../../../src/cli/replay/shift-dates.ts';
import { parseDateTime } from '../../../src/core/fhir-time.ts';

const HOUR = 3_600_000;

describe('a shifted time', () => {
  test.each([
    ['2026-03-02T08:00:00Z', HOUR, '2026-03-02T09:00:00Z'],
    ['2026-03-02T08:00:00+05:45', HOUR, '2026-03-02T09:00:00+05:45'],
    ['2026-03-02T00:30:00-03:30', -HOUR, '2026-03-01T23:30:00-03:30'],
    ['2026-03-02T08:00:00.120Z', HOUR, '2026-03-02T09:00:00.120Z'],
    ['2024-02-28T23:30:00.5+01:00', HOUR, '2024-02-29T00:30:00.5+01:00'],
    ['2026-03-02', 23 * HOUR, '2026-03-02'],
    ['2026-03-02', 25 * HOUR, '2026-03-03'],
    ['2026-03-02', -HOUR, '2026-03-01'],
    ['2026-03', HOUR, '2026-03'],
    ['2026-02-30T08:00:00Z', HOUR, '2026-02-30T08:00:00Z'],
    ['2026-03-02T08:00:00', HOUR, '2026-03-02T08:00:00'],
    ['yesterday', HOUR, 'yesterday'],
  ])('%s by %i ms is %s', (written, byMs, expected) => {
    expect(shiftedTime(written, byMs)).toBe(expected);
  });

  test('is so many whole seconds later, whatever the offset', () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 2_000_000_000 }),
        fc.integer({ min: -800_000_000, max: 800_000_000 }),
        fc.constantFrom('Z', '+14:00', '-09:30', '+00:00'),
        (seconds, by, zone) => {
          const written = new Date(seconds * 1000).toISOString().replace(/\.\d+Z$/, zone);
          const later = parseDateTime(shiftedTime(written, by * 1000));
          expect(later!.startMs - parseDateTime(written)!.startMs).toBe(by * 1000);
        },
      ),
    );
  });
});

test('a shifted Bundle keeps identifiers, birth dates and other resources as they were', () => {
  const bundle = {
    resourceType: 'Bundle',
    timestamp: '2026-03-02T12:00:00Z',
    entry: [
      { resource: { resourceType: 'Patient', birthDate: '1960-04-01' } },
      {
        resource: {
          resourceType: 'Observation',
          identifier: [{ system: 'https://a.example', value: '2026-03-02T08:00:00Z' }],
          effectivePeriod: { start: '2026-03-02T08:00:00Z', end: '2026-03-02T08:01:00Z' },
          issued: '2026-03-02T08:02:00Z',
          valueDateTime: '2026-03-02T08:00:00Z',
        },
      },
      'no entry',
    ],
  };
  expect(shifted(bundle, HOUR)).toEqual({
    ...bundle,
    timestamp: '2026-03-02T13:00:00Z',
    entry: [
      bundle.entry[0],
      {
        resource: {
          ...(bundle.entry[1] as { resource: object }).resource,
          effectivePeriod: { start: '2026-03-02T09:00:00Z', end: '2026-03-02T09:01:00Z' },
          issued: '2026-03-02T09:02:00Z',
        },
      },
      'no entry',
    ],
  });
});
