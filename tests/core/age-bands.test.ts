import { describe, expect, it } from 'vitest';
import { ageBand, AGE_BANDS, type AgeBand } from '../../src/core/age-bands.ts';
import { compare, decimal } from '../../src/core/decimal.ts';
import { ageAt } from '../../src/core/fhir-time.ts';

const bandAt = (birthDate: string, day: string): AgeBand => ageBand(ageAt(birthDate, Date.parse(`${day}T12:00:00Z`)));

describe('the age band', () => {
  it.each<[AgeBand, first: string, last: string]>([
    ['newborn', '2004-03-10', '2004-04-06'],
    ['young-infant', '2004-04-07', '2004-09-09'],
    ['older-infant', '2004-09-10', '2005-03-09'],
    ['toddler', '2005-03-10', '2006-03-09'],
    ['small-child', '2006-03-10', '2009-03-09'],
    ['child', '2009-03-10', '2014-03-09'],
    ['young-teenager', '2014-03-10', '2019-03-09'],
    ['older-teenager', '2019-03-10', '2024-03-09'],
    ['adult', '2024-03-10', '2090-01-01'],
  ])('of somebody born on 10 March 2004 is %s from %s to %s', (band, first, last) => {
    expect([bandAt('2004-03-10', first), bandAt('2004-03-10', last)]).toEqual([band, band]);
  });

  it.each<[day: string, band: AgeBand]>([
    ['2005-02-28', 'older-infant'],
    ['2005-03-01', 'toddler'],
    ['2006-02-28', 'toddler'],
    ['2006-03-01', 'small-child'],
    ['2009-02-28', 'small-child'],
    ['2024-02-28', 'older-teenager'],
    ['2024-02-29', 'adult'],
  ])('of somebody born on a leap day is, on %s, %s', (day, band) => {
    expect(bandAt('2004-02-29', day)).toBe(band);
  });

  it('is known from a year or a month when every day of it gives the same', () => {
    expect(bandAt('1980', '2026-03-02')).toBe('adult');
    expect(bandAt('2026-02', '2026-02-28')).toBe('newborn');
    expect(bandAt('2025-07', '2026-03-02')).toBe('older-infant');
  });

  it('is unknown when a year or a month leaves two of them open, or nothing is known', () => {
    expect(bandAt('2006', '2026-03-02')).toBe('age-unknown');
    expect(bandAt('2025-03', '2026-03-02')).toBe('age-unknown');
    expect(ageBand(undefined)).toBe('age-unknown');
  });
});

describe.each(Object.entries(AGE_BANDS))('the limits of band %s', (_band, row) => {
  it('have an inner range within the outer one, both the right way round', () => {
    for (const limits of [row.weight, row.height, row.bmi]) {
      const [low, high] = limits.refuse.map((text) => decimal(text)) as [ReturnType<typeof decimal>, ReturnType<typeof decimal>];
      expect(compare(low, high)).toBeLessThan(0);
      const [innerLow, innerHigh] = ('hold' in limits ? limits.hold : limits.refuse).map((text) => decimal(text)) as [
        typeof low,
        typeof low,
      ];
      expect(compare(low, innerLow)).toBeLessThanOrEqual(0);
      expect(compare(innerLow, innerHigh)).toBeLessThan(0);
      expect(compare(innerHigh, high)).toBeLessThanOrEqual(0);
    }
  });

  it('name their source', () => {
    expect(row.source.length).toBeGreaterThan(10);
  });
});
