/** Codes and their meanings, typed from the publications, against the tables that the service uses. */
import { describe, expect, test } from 'vitest';
import { evaluate } from '../../src/core/evaluate.ts';
import { parseExactJson } from '../../src/core/json.ts';
import { codedMeasure, type ExactObservation } from '../../src/core/observation.ts';
import { DEFAULT_POLICY } from '../../src/core/policy.ts';
import {
  CLOTHING_ANSWERS,
  LOINC_CODES,
  MDC_CODES,
  PARENT_CODE,
  POSITION_ANSWERS,
  QUALIFIER,
  R4_PROFILE,
} from '../../src/core/terminology.ts';
import { observationText } from './readings.ts';

const R4 = 'HL7 FHIR R4 (4.0.1), vital signs';
const R6 = 'HL7 FHIR 6.0.0-ballot, ValueSets observation-vitalsign-bodyweight and -bodyheight';
const VSAC = 'NLM VSAC, Weight, OID 2.16.840.1.113883.3.464.1003.121.12.1015';

/** LOINC code, long common name, what it measures, how it came about, where it is published. */
const LOINC = [
  ['29463-7', 'Body weight', 'weight', 'measured', R4],
  ['3141-9', 'Body weight Measured', 'weight', 'measured', R6],
  ['3142-7', 'Body weight Stated', 'weight', 'stated', R6],
  ['8335-2', 'Body weight Estimated', 'weight', 'estimated', R6],
  ['8350-1', 'Body weight Measured --with clothes', 'weight', 'measured', R6],
  ['8351-9', 'Body weight Measured --without clothes', 'weight', 'measured', R6],
  ['8341-0', 'Dry body weight Measured', 'weight', 'measured', VSAC],
  ['8349-3', 'Body weight Measured --preoperative', 'weight', 'measured', VSAC],
  ['18833-4', 'First Body weight', 'weight', 'measured', VSAC],
  ['8339-4', 'Birth weight Measured', 'weight', 'birth', 'HL7 Germany, ValueSet VitalSignDE_Body_Weight_Loinc'],
  ['8302-2', 'Body height', 'height', 'measured', R4],
  ['3137-7', 'Body height Measured', 'height', 'measured', R6],
  ['3138-5', 'Body height Stated', 'height', 'stated', R6],
  ['8301-4', 'Body height Estimated', 'height', 'estimated', R6],
  ['8305-5', 'Body height --post partum', 'height', 'measured', R6],
  ['8306-3', 'Body height --lying', 'height', 'measured', R6],
  ['8307-1', 'Body height --preoperative', 'height', 'measured', R6],
  ['8308-9', 'Body height --standing', 'height', 'measured', R6],
  ['39156-5', 'Body mass index (BMI) [Ratio]', 'bmi', 'measured', R4],
] as const;

/** IEEE 11073-10101 term, 32-bit code, 16-bit code in partition 2; context-free code = partition * 65536 + term. */
const MDC = [
  ['MDC_MASS_BODY_ACTUAL', '188736', '57664', 'weight'],
  ['MDC_LEN_BODY_ACTUAL', '188740', '57668', 'height'],
  ['MDC_RATIO_MASS_BODY_LEN_SQ', '188752', '57680', 'bmi'],
] as const;

describe('LOINC', () => {
  test.each(LOINC)('%s is "%s"', (code, display, of, basis) => {
    expect(LOINC_CODES.find((row) => row.code === code)).toMatchObject({ display, of, basis });
  });

  test('the codes that the R4 profiles require stand in the table', () => {
    expect([PARENT_CODE.weight.code, PARENT_CODE.height.code, PARENT_CODE.bmi.code]).toEqual(['29463-7', '8302-2', '39156-5']);
    expect(Object.values(R4_PROFILE).map((url) => url.split('/').at(-1))).toEqual(['bodyweight', 'bodyheight', 'bmi']);
  });

  test('no code stands twice, and each row names where it is published', () => {
    expect(new Set(LOINC_CODES.map(({ code }) => code)).size).toBe(LOINC_CODES.length);
    expect(LOINC_CODES.filter(({ source }) => source.length < 5)).toEqual([]);
  });

  test('each code has its check digit (LOINC Users’ Guide, appendix on the mod 10 check digit)', () => {
    const codes = [...LOINC_CODES, ...Object.values(QUALIFIER)].map(({ code }) => code).filter((code) => /^\d+-\d$/.test(code));
    expect(codes.length).toBeGreaterThan(LOINC_CODES.length);
    expect(codes.filter((code) => !hasCheckDigit(code))).toEqual([]);
  });

  // HL7 SDC, Weight and Height tracking panel (LOINC 55418-8); HL7 R4 observation-vitalsigns
  test('qualifiers and their answers are those of the weight and height tracking panel', () => {
    expect([QUALIFIER.clothing.code, QUALIFIER.position.code, QUALIFIER.weighingDevice.code, QUALIFIER.heightDevice.code]).toEqual([
      '8352-7',
      '8361-8',
      '8356-8',
      '41910-1',
    ]);
    expect(Object.values(CLOTHING_ANSWERS)).toEqual([
      { code: 'LA11871-3', display: 'Underwear or less' },
      { code: 'LA11872-1', display: 'Street clothes, no shoes' },
      { code: 'LA11873-9', display: 'Street clothes & shoes' },
    ]);
    expect(POSITION_ANSWERS).toEqual({
      sitting: { code: 'LA11868-9', display: 'Sitting' },
      lying: { code: 'LA11869-7', display: 'Lying' },
      standing: { code: 'LA11870-5', display: 'Standing' },
    });
  });
});

/** LOINC's check digit is Luhn's (mod 10) over the digits before the hyphen. */
function hasCheckDigit(code: string): boolean {
  const [body = '', check = ''] = code.split('-');
  const sum = body
    .split('')
    .reverse()
    .reduce((total, digit, place) => {
      const value = place % 2 === 0 ? Number(digit) * 2 : Number(digit);
      return total + (value > 9 ? value - 9 : value);
    }, 0);
  return (10 - (sum % 10)) % 10 === Number(check);
}

describe('IEEE 11073-10101', () => {
  test.each(MDC)('%s is %s, or %s in 16 bits', (name, long, short, of) => {
    expect(Number(long)).toBe(2 * 65536 + Number(short));
    for (const code of [long, short]) expect(MDC_CODES.find((row) => row.code === code)).toMatchObject({ name, of });
  });

  // HL7 Germany, ISiK body weight example: LOINC and MDC in one CodeableConcept
  test('a LOINC and an MDC coding of one measure agree', () => {
    const both = withCodings([
      ['http://loinc.org', '29463-7'],
      ['urn:iso:std:iso:11073:10101', '188736'],
    ]);
    expect(codedMeasure(both)).toMatchObject({ of: 'weight', hasParent: true, conflicting: false });
  });

  // one old public class list swaps body height and soft lean mass
  test('188740 beside a body weight is a conflict, not a synonym', () => {
    const swapped = withCodings([
      ['http://loinc.org', '29463-7'],
      ['urn:iso:std:iso:11073:10101', '188740'],
    ]);
    expect(codedMeasure(swapped)?.conflicting).toBe(true);
  });
});

function withCodings(codings: readonly (readonly [system: string, code: string])[], value = '70.0'): ExactObservation {
  const text = observationText({ person: 'a', of: 'weight', value, unit: 'kg', at: '2026-03-02T08:00:00Z' });
  const parsed = parseExactJson(text);
  if (!parsed.ok) throw new Error(parsed.problem.reason);
  const observation = parsed.value as unknown as ExactObservation;
  return { ...observation, code: { coding: codings.map(([system, code]) => ({ system, code })) } };
}

// NLM VSAC: the sets for weight and height leave out stated, reported and estimated values
test.each(LOINC.filter(([, , of, basis]) => of === 'weight' && basis !== 'measured'))(
  '%s, %s, is kept and gives no BMI',
  (code, _display, _of, basis) => {
    const sent = withCodings([['http://loinc.org', code]], basis === 'birth' ? '3.45' : '70.0');
    const evaluation = evaluate(sent, {
      nowMs: Date.parse('2026-03-02T10:00:00Z'),
      policy: DEFAULT_POLICY,
      knownBases: [],
      id: 'w1',
      version: 1,
      person: { key: 'Patient/a', known: false },
      history: [],
      standing: [],
    });
    expect([evaluation.verdict, evaluation.derived]).toEqual(['accepted', []]);
    expect(evaluation.findings.map(({ rule }) => rule.id)).toContain('bmi-not-derived');
  },
);
