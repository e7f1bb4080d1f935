/** Written digits survive from the socket to the store and back, whatever they look like. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { parseExactJson, stringifyExact } from '../../src/core/json.ts';
import { weight } from '../measurements.ts';
import { openDesk } from '../ingest/desk.ts';

/** Digits of any number of places, with zeros in front of them. */
const digits = (most: number) =>
  fc
    .tuple(fc.bigInt({ min: 0n, max: 10n ** BigInt(most) - 1n }), fc.integer({ min: 1, max: most }))
    .map(([number, size]) => String(number).padStart(size, '0'));
const whole = digits(18).map((text) => text.replace(/^0+(?=\d)/, ''));
/** Any FHIR decimal without an exponent, up to forty characters; many end in zeros. */
const literal = fc
  .tuple(fc.constantFrom('', '-'), whole, fc.oneof(fc.constant(''), digits(16)), fc.constantFrom('', '0', '000'))
  .map(([sign, before, after, zeros]) => `${sign}${before}${after + zeros === '' ? '' : `.${after}${zeros}`}`);
/** A weight that is accepted, written with more or fewer zeros. */
const written = fc
  .tuple(fc.integer({ min: 340, max: 2722 }), fc.constantFrom('', '0', '00'))
  .map(([tenths, zeros]) => `${Math.floor(tenths / 10)}.${tenths % 10}${zeros}`);

const GROUP = 50;
const RUNS = 200;

describe(`${GROUP * RUNS} generated numbers`, () => {
  it('are read back from the store as they were written', async () => {
    const desk = await openDesk();
    let second = 0;
    await fc.assert(
      fc.asyncProperty(written, fc.array(literal, { minLength: GROUP, maxLength: GROUP }), async (value, literals) => {
        second += 1;
        const effectiveDateTime = new Date(Date.parse('2026-03-01T08:00:00Z') + second * 1000).toISOString();
        const text = stringifyExact(
          weight('70.0', 'kg', { effectiveDateTime, subject: { reference: `Patient/p${second}` }, extension: ['HERE'] }),
        )
          .replace('"value":70.0', `"value":${value}`)
          .replace('"HERE"', literals.map((one) => `{"url":"https://h.example/n","valueDecimal":${one}}`).join(','));
        const parsed = parseExactJson(text);
        if (!parsed.ok) throw new Error(parsed.problem.reason);
        const answer = await desk.intake.create(parsed.value, text);
        expect(answer.status).toBe(201);
        const stored = await desk.store.read.current('Observation', answer.resource!.id);
        expect([...stored!.text.matchAll(/"valueDecimal":([^},]+)/g)].map(([, number]) => number)).toEqual(literals);
        expect(/"valueQuantity":\{"value":([^,]+),/.exec(stored!.text)?.[1]).toBe(value);
      }),
      { numRuns: RUNS },
    );
  });
});
