import { describe, expect, it } from 'vitest';
import { decimal } from '../../src/core/decimal.ts';
import { parseDateTime, type Effective } from '../../src/core/fhir-time.ts';
import { quantity, type UnitCode } from '../../src/core/quantity.ts';
import { spanWords } from '../../src/review/arithmetic.ts';
import { ageWords, amount, amountInFull, factAndRemedy, measuredAt } from '../../src/review/words.ts';

const plain = (text: string | undefined): string | undefined => text?.replaceAll('\u00a0', ' ');

function of(text: string, unit: UnitCode) {
  const read = quantity(text, unit);
  if (!read) throw new Error('no decimal');
  return read;
}

describe('amounts', () => {
  it.each<[string, UnitCode, string]>([
    ['70.0', 'kg', '70.0 kg'],
    ['3450', 'g', '3450 g (3.5 kg)'],
    // 183.2 lb x 0.45359237 = 83.09812…
    ['183.2', '[lb_av]', '183.2 lb (83.1 kg)'],
    ['65.125', '[in_i]', '65.125 in (165.4 cm)'],
  ])('%s %s is written %s', (text, unit, words) => {
    const measured = of(text, unit);
    expect(plain(amountInFull(measured, unit === 'cm' || unit === '[in_i]' ? 'height' : 'weight'))).toBe(words);
  });

  it('are never torn from their unit', () => {
    expect(amount(of('70.0', 'kg'))).toBe('70.0\u00a0kg');
  });
});

describe('the span that would be accepted', () => {
  it.each([
    ['71.91', '87.89', '72.0 kg to 87.8 kg'],
    ['72.0', '88.0', '72.0 kg to 88.0 kg'],
    [undefined, '272.2', '272.2 kg or less'],
    ['34.0', undefined, '34.0 kg or more'],
    [undefined, undefined, undefined],
  ])('from %s to %s is rounded inwards: %s', (low, high, words) => {
    const span = { ...(low !== undefined && { low: decimal(low) }), ...(high !== undefined && { high: decimal(high) }) };
    expect(plain(spanWords(span, 'weight'))).toBe(words);
  });
});

describe('times', () => {
  const at = (text: string): Effective => {
    const effective = parseDateTime(text);
    if (!effective) throw new Error(text);
    return effective;
  };
  it.each([
    ['2026-03-01T08:05:00+01:00', 'as-written', '1 Mar 2026, 08:05'],
    ['2026-03-01T00:30:00-05:00', 'as-written', '1 Mar 2026, 00:30'],
    ['2026-03-01T08:05:00Z', 'as-written', '1 Mar 2026, 08:05 UTC'],
    ['2026-03-01T08:05:00Z', 'Europe/Berlin', '1 Mar 2026, 09:05'],
    ['2026-03-01', 'Europe/Berlin', '1 Mar 2026'],
  ])('%s is written in %s as %s', (text, zone, words) => {
    expect(measuredAt(at(text), zone)).toBe(words);
  });

  it.each([
    [-5_000, 'under 1 min'],
    [59_999, 'under 1 min'],
    [60_000, '1 min'],
    [59 * 60_000, '59 min'],
    [60 * 60_000, '1 h'],
    [130 * 60_000, '2 h 10 min'],
    [48 * 3_600_000, '2 days'],
  ])('%i ms of waiting are %s', (ms, words) => {
    expect(plain(ageWords(ms))).toBe(words);
  });
});

describe('the words of a rule', () => {
  it.each([
    [
      '183.2 kg does not fit, but 183.2 [lb_av] (83.1 kg) does: it looks like pounds. Set the scale to kilograms, and weigh again.',
      '183.2 kg does not fit, but 183.2 lb (83.1 kg) does: it looks like pounds.',
      'Set the scale to kilograms, and weigh again.',
    ],
    ['One sentence only.', 'One sentence only.', ''],
    ['First. Second. Do this.', 'First. Second.', 'Do this.'],
  ])('%s', (sentence, fact, remedy) => {
    expect(factAndRemedy(sentence)).toEqual({ fact, remedy });
  });
});
