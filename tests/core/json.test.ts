import fc from 'fast-check';
import { LosslessNumber } from 'lossless-json';
import { describe, expect, it } from 'vitest';
import { exactNumber, isJsonObject, parseExactJson, stringifyExact, toPlain, type JsonProblem } from '../../src/core/json.ts';

function problemOf(text: string): JsonProblem | undefined {
  const result = parseExactJson(text);
  return result.ok ? undefined : result.problem;
}

function roundTrip(text: string): string {
  const result = parseExactJson(text);
  if (!result.ok) throw new Error(result.problem.reason);
  return stringifyExact(result.value);
}

describe('written digits', () => {
  it.each(['70', '70.0', '70.50', '0.10', '70.09999999999999999', '-0', '-0.0', '12345678901234567890.123456789'])(
    'of %s survive',
    (literal) => {
      expect(roundTrip(`{"value":${literal}}`)).toBe(`{"value":${literal}}`);
    },
  );

  it.each([
    ['7.00e1', '70.0'],
    ['7E1', '70'],
    ['1e-3', '0.001'],
    ['-1.5E+2', '-150'],
  ])('of the exponent form %s become plain: %s', (literal, plain) => {
    expect(roundTrip(`[${literal}]`)).toBe(`[${plain}]`);
  });

  it.each(['1e400', '1e1000000', `1${'0'.repeat(40)}`, `0.${'1'.repeat(39)}`, '12345678901e30', '0.00000000001e-30'])(
    'of %s are refused at once',
    (literal) => {
      const began = performance.now();
      expect(problemOf(`{"value":${literal}}`)).toEqual({
        kind: 'number',
        reason: 'a number has more than 40 characters or an exponent beyond 30',
        line: 1,
        column: 10,
      });
      expect(performance.now() - began).toBeLessThan(500);
    },
  );

  it('can be read again whatever was written', () => {
    fc.assert(
      fc.property(fc.bigInt({ min: 0n, max: 10n ** 40n }), fc.integer({ min: -35, max: 35 }), (digits, exponent) => {
        const first = parseExactJson(`[${digits}e${exponent}]`);
        if (first.ok) expect(parseExactJson(stringifyExact(first.value as object)).ok).toBe(true);
      }),
    );
  });
});

describe('what is refused', () => {
  it.each<[string, JsonProblem['kind'], number, number]>([
    ['', 'syntax', 1, 1],
    ['  \n ', 'syntax', 2, 2],
    ['{"a":1', 'syntax', 1, 7],
    ['{"a":1}\n}', 'syntax', 2, 1],
    ['1 2', 'syntax', 1, 3],
    ['{"a":1,}', 'syntax', 1, 8],
    ['// note\n1', 'syntax', 1, 1],
    ['[1, /* note */ 2]', 'syntax', 1, 5],
    ['{\n  "a": 1,\n  "a": 2\n}', 'duplicate-key', 3, 3],
    ['{"a":1,"\\u0061":2}', 'duplicate-key', 1, 8],
    ['{"a":{"__proto__":{}}}', 'forbidden-key', 1, 7],
    ['{"a":"\\u0000"}', 'text', 1, 6],
    ['{"a":"\\u001f"}', 'text', 1, 6],
    ['{"a":"\\ud800"}', 'text', 1, 6],
    ['{"\\udc00":1}', 'text', 1, 2],
    ['{"a":\n  "x\\ud83d"}', 'text', 2, 3],
    ['[01]', 'syntax', 1, 3],
    ['[NaN]', 'syntax', 1, 2],
    ['\uFEFF{}', 'syntax', 1, 1],
  ])('%j is %s at line %i, column %i', (text, kind, line, column) => {
    const problem = problemOf(text);
    expect(problem?.kind).toBe(kind);
    expect([problem?.line, problem?.column]).toEqual([line, column]);
  });

  it('nesting deeper than 64 levels is, and 64 are not', () => {
    expect(problemOf('['.repeat(64) + ']'.repeat(64))).toBeUndefined();
    expect(problemOf('['.repeat(65) + ']'.repeat(65))).toMatchObject({ kind: 'too-deep', line: 1, column: 65 });
    expect(problemOf('{"a":'.repeat(100_000))).toMatchObject({ kind: 'too-deep' });
  });

  it('an object of more than 1000 members is, and a list of more than 5000 items, wherever they stand', () => {
    const members = (count: number) => `{${Array.from({ length: count }, (_, at) => `"m${at}":{"a":1}`).join(',')}}`;
    const items = (count: number) => `[[${Array.from({ length: count }, () => '{"a":1}').join(',')}]]`;
    expect([problemOf(members(1000)), problemOf(items(5000))]).toEqual([undefined, undefined]);
    expect([problemOf(members(1001))?.kind, problemOf(items(5001))?.kind]).toEqual(['too-many', 'too-many']);
  });

  it('never quotes the text that it refuses', () => {
    for (const text of ['{"name":"Ada","name":"Ada"}', '{"Ada":1,}', '["Ada\\ud800"]', '[Ada]'])
      expect(JSON.stringify(problemOf(text))).not.toContain('Ada');
  });

  it('tabs, line feeds, emoji and names of object methods are not', () => {
    expect(roundTrip('{"constructor":"a\\tb\\r\\n","toString":"😀","hasOwnProperty":{}}')).toBe(
      '{"constructor":"a\\tb\\r\\n","toString":"😀","hasOwnProperty":{}}',
    );
  });
});

describe('against JSON.parse', () => {
  /** What JSON.parse lets pass and FHIR should not see. */
  function isListed(problem: JsonProblem): boolean {
    return problem.kind !== 'syntax';
  }

  it('accepts the same texts, apart from the listed refusals, and reads the same values', () => {
    const valid = fc.json({ maxDepth: 5 });
    const broken = fc
      .tuple(
        valid,
        fc.nat(),
        fc.constantFrom('', '{', '}', '[', ']', ',', ':', '"', '\\', '0', '1', '-', '.', 'e', 't', ' ', '\n', '\u0000', '\uFEFF', '/'),
      )
      .map(([text, at, piece]) => text.slice(0, at % (text.length + 1)) + piece + text.slice((at % (text.length + 1)) + (at % 2)));
    fc.assert(
      fc.property(fc.oneof(valid, broken), (text) => {
        const ours = parseExactJson(text);
        const theirs = parsedByPlatform(text);
        if (ours.ok) expect({ value: toPlain(ours.value) }).toEqual(theirs);
        else if (!isListed(ours.problem)) expect(theirs).toBeUndefined();
      }),
      { numRuns: 3000 },
    );
  });

  it('reads every number as the same number', () => {
    fc.assert(
      fc.property(fc.double({ noNaN: true, noDefaultInfinity: true, min: -1e25, max: 1e25 }), (number) => {
        const text = JSON.stringify([number]);
        const ours = parseExactJson(text);
        if (ours.ok) expect(toPlain(ours.value)).toEqual(JSON.parse(text));
        else expect(ours.problem.kind).toBe('number');
      }),
    );
  });
});

function parsedByPlatform(text: string): { readonly value: unknown } | undefined {
  try {
    return { value: JSON.parse(text) as unknown };
  } catch {
    return undefined;
  }
}

describe('trees', () => {
  it('are told from lists, numbers and nothing', () => {
    expect([{}, [], null, exactNumber('1'), 'a', undefined].map(isJsonObject)).toEqual([true, false, false, false, false, false]);
  });

  it('become plain copies without touching the original', () => {
    const tree = { value: exactNumber('70.50'), list: [exactNumber(1), null, true] };
    expect(toPlain(tree)).toEqual({ value: 70.5, list: [1, null, true] });
    expect(tree.value).toEqual(new LosslessNumber('70.50'));
  });

  it('throw when there is nothing to write', () => {
    expect(() => stringifyExact(undefined as unknown as object)).toThrow(TypeError);
  });
});
