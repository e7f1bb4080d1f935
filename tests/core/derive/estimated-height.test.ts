import { describe, expect, it } from 'vitest';
import { toText } from '../../../src/core/decimal.ts';
import { estimatedHeight, HEIGHT_ESTIMATES, type HeightEstimate } from '../../../src/core/derive/estimated-height.ts';
import { ageAt, type Age } from '../../../src/core/fhir-time.ts';
import { quantity, type LengthUnit } from '../../../src/core/quantity.ts';
import type { PersonFacts } from '../../../src/core/reading.ts';

const NOW = Date.UTC(2026, 2, 2, 8);
const years = (completed: number): Age => ageAt(`${2026 - completed}-01-15`, NOW)!;

function estimate(from: HeightEstimate, length: string, sex: PersonFacts['sex'], age: Age | undefined, unit: LengthUnit = 'cm'): string {
  const result = estimatedHeight(from, quantity(length, unit)!, { sex, age });
  return typeof result === 'string' ? result : toText(result);
}

describe('height from knee height', () => {
  it.each([
    ['50.0', 'male', 75, '162.2'], // 162.19
    ['47.0', 'female', 80, '151.7'], // 151.69
    ['52.5', 'male', 60, '167.8'], // 64.19 - 2.40 + 106.05 = 167.84
    ['45.5', 'female', 90, '146.5'], // 84.88 - 21.60 + 83.265 = 146.545
  ] as const)('of %s cm, %s, %i years, is %s cm', (length, sex, age, expected) => {
    expect(estimate('knee-height', length, sex, years(age))).toBe(expected);
  });

  it('is for ages 60 to 90, both included', () => {
    const at = (age: number) => estimate('knee-height', '50.0', 'male', years(age));
    expect([at(59), at(60), at(90), at(91)]).toEqual(['age-outside', '162.8', '161.6', 'age-outside']);
  });

  it('needs the completed years, since each takes something off', () => {
    const bornIn = (birthDate: string) => estimate('knee-height', '50.0', 'male', ageAt(birthDate, NOW));
    expect(bornIn('1950')).toBe('age-unknown'); // 75 or 76
    expect(bornIn('1950-01')).toBe('162.2'); // 76 on any day of that month
    expect(bornIn('1966')).toBe('age-unknown'); // 59 or 60
    expect(bornIn('1990')).toBe('age-outside');
  });
});

describe('height from ulna length', () => {
  it('changes its equation at 65', () => {
    const both = (sex: 'male' | 'female') => [64, 65].map((age) => estimate('ulna-length', '27.5', sex, years(age)));
    expect(both('male')).toEqual(['178.2', '172.9']); // 172.925
    expect(both('female')).toEqual(['171.8', '169.8']); // 171.775 and 169.775
  });

  it('needs no more of an age than the side of 65', () => {
    const bornIn = (birthDate: string) => estimate('ulna-length', '27.5', 'male', ageAt(birthDate, NOW));
    expect([bornIn('1950'), bornIn('1980'), bornIn('1961')]).toEqual(['172.9', '178.2', 'age-unknown']); // 1961: 64 or 65
  });

  it('is for adults', () => {
    expect([17, 18, 104].map((age) => estimate('ulna-length', '27.5', 'female', years(age)))).toEqual(['age-outside', '171.8', '169.8']);
  });

  it('takes inches as well', () => {
    expect(estimate('ulna-length', '10', 'male', years(40), '[in_i]')).toBe('170.6'); // 25.4 cm: 79.2 + 91.44
  });
});

describe('height from demispan', () => {
  it.each([
    ['80.0', 'male', '169.8'],
    ['75.0', 'female', '161.4'], // 161.35 goes up
    ['74.9', 'female', '161.2'], // 161.215
  ] as const)('of %s cm, %s, is %s cm', (length, sex, expected) => {
    expect(estimate('demispan', length, sex, years(30))).toBe(expected);
  });
});

describe('no estimate', () => {
  const all = Object.keys(HEIGHT_ESTIMATES) as HeightEstimate[];
  const middle = { 'knee-height': '50', 'ulna-length': '25', demispan: '80' } as const;

  it.each(all)('from %s without a sex, an age or a length that can be one', (from) => {
    for (const sex of ['other', 'unknown', undefined] as const) expect(estimate(from, middle[from], sex, years(70))).toBe('sex-unknown');
    expect(estimate(from, middle[from], 'male', undefined)).toBe('age-unknown');
    expect(estimate(from, middle[from], 'male', ageAt('2027-01-01', NOW))).toBe('age-outside'); // not born yet
    expect(estimate(from, middle[from], 'male', years(70))).toMatch(/^[12][0-9]{2}\.[0-9]$/);
    const [shortest, longest] = HEIGHT_ESTIMATES[from].lengths;
    for (const edge of [shortest, longest]) expect(estimate(from, edge, 'female', years(70))).toMatch(/^[12][0-9]{2}\.[0-9]$/);
    for (const beyond of [`${Number(shortest) - 1}`, `${Number(longest) + 1}`, '0', '-25'])
      expect(estimate(from, beyond, 'female', years(70))).toBe('length-implausible');
  });

  it('of a height that nobody has: the longest and shortest lengths give 127 to 212 cm', () => {
    const heights = all.flatMap((from) =>
      (['male', 'female'] as const).flatMap((sex) =>
        [60, 90].flatMap((age) => HEIGHT_ESTIMATES[from].lengths.map((length) => Number(estimate(from, length, sex, years(age))))),
      ),
    );
    expect([Math.min(...heights), Math.max(...heights)]).toEqual([127.3, 211.8]);
  });
});
