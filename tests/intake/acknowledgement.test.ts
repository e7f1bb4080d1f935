/** Answers (HL7 v2.5.1 chapter 2, sections 2.9.2, 2.9.3, 2.15.5 and 2.15.8; tables 0008, 0155 and 0357). */
import { describe, expect, test } from 'vitest';
import { answerCode, toAcknowledgement, type AnswerParts, type Remark } from '../../src/intake/acknowledgement.ts';
import { CONDITION } from '../../src/intake/v2-codes.ts';
import { faultInHeader } from '../../src/intake/v2-header.ts';
import { parseMessage, type Segment } from '../../src/intake/v2-message.ts';
import { message } from './messages.ts';
import { segment } from './mllp-client.ts';

function header(fields: Readonly<Record<number, string>> = {}): Segment {
  const parsed = parseMessage(message({ header: fields }), (bytes) => bytes.toString('latin1'));
  if (!parsed.ok) throw new Error(parsed.problem);
  return parsed.message.header;
}

const REMARK: Remark = {
  severity: 'E',
  condition: CONDITION.dataType,
  rule: { id: 'precision-step', title: 'Digits beyond what may be recorded' },
  text: 'One | two ^ three',
  expression: 'Observation.value.ofType(Quantity).value',
  place: { segment: 'OBX', sequence: 2, field: 5 },
};
const PARTS: AnswerParts = {
  header: header(),
  ending: 'error',
  remarks: [REMARK],
  controlId: '0123456789abcdef0123',
  nowMs: Date.parse('2026-03-02T07:08:09Z'),
  charset: 'UNICODE UTF-8',
};

describe('which answer is wanted', () => {
  // MSH-15, MSH-16, then the answer to what is taken, at fault, rejected
  test.each([
    ['', '', 'AA', 'AE', 'AR'],
    ['AL', 'NE', 'CA', 'CE', 'CR'],
    ['NE', 'AL', 'AA', 'AE', 'AR'],
    ['AL', 'AL', 'AA', 'AE', 'AR'],
    ['AL', '', 'CA', 'CE', 'CR'],
    ['', 'AL', 'AA', 'AE', 'AR'],
    ['NE', 'NE', undefined, undefined, undefined],
    ['NE', '', undefined, undefined, undefined],
    ['ER', 'NE', undefined, 'CE', 'CR'],
    ['SU', 'NE', 'CA', undefined, undefined],
    ['NE', 'ER', undefined, 'AE', 'AR'],
    ['NE', 'SU', 'AA', undefined, undefined],
    ['NE', 'yes', 'AA', 'AE', 'AR'],
  ])('with %j in MSH-15 and %j in MSH-16', (accept, application, ...expected) => {
    const one = header({ 15: accept, 16: application });
    expect((['accept', 'error', 'reject'] as const).map((ending) => answerCode(one, ending))).toEqual(expected);
  });

  test('of a message that cannot be read is an application reject', () => {
    expect(answerCode(undefined, 'reject')).toBe('AR');
  });
});

describe('an answer', () => {
  test('goes back to its sender, names the message, and says what is wrong where', () => {
    expect(toAcknowledgement('AE', PARTS).split('\r')).toEqual([
      'MSH|^~\\&|STEELYARD|EHR|GATEWAY|HARBOURLIGHT|20260302070809+0000||ACK^R01^ACK|0123456789abcdef0123|P|2.5.1||||||UNICODE UTF-8',
      'MSA|AE|C-1',
      'ERR||OBX^2^5|102^Data type error^HL70357|E|precision-step^Digits beyond what may be recorded^99STEELYARD||Observation.value.ofType(Quantity).value|One \\F\\ two \\S\\ three',
      '',
    ]);
  });

  test('before 2.5 says it in MSA-3 and ERR-1 as well', () => {
    const answer = toAcknowledgement('AE', { ...PARTS, header: header({ 12: '2.3.1' }) });
    expect(segment(answer, 'MSH')[11]).toBe('2.3.1');
    expect(segment(answer, 'MSA')).toEqual(['MSA', 'AE', 'C-1', 'One \\F\\ two \\S\\ three']);
    expect(segment(answer, 'ERR')[1]).toBe('OBX^2^5^102&Data type error&HL70357');
  });

  test('carries what the sender wrote as text, never as structure', () => {
    const odd = header({ 3: 'A\\F\\B\\S\\C', 10: 'C\\E\\1\\X0D\\MSA\\F\\AA' });
    const answer = toAcknowledgement('AR', { ...PARTS, header: odd });
    expect(answer.split('\r').map((line) => line.slice(0, 3))).toEqual(['MSH', 'MSA', 'ERR', '']);
    expect(segment(answer, 'MSH')[4]).toBe('A\\F\\B\\S\\C');
    expect(segment(answer, 'MSA')).toEqual(['MSA', 'AR', 'C\\E\\1 MSA\\F\\AA']);
  });

  test('to nobody known is still one', () => {
    const { header: _header, ...nameless } = PARTS;
    expect(segment(toAcknowledgement('AR', nameless), 'MSH').slice(2, 12)).toEqual([
      'STEELYARD',
      '',
      '',
      '',
      '20260302070809+0000',
      '',
      'ACK^R01^ACK',
      '0123456789abcdef0123',
      'P',
      '2.5.1',
    ]);
  });
});

describe('a header', () => {
  test.each(['2.3', '2.3.1', '2.4', '2.5', '2.5.1', '2.6', '2.7', '2.7.1', '2.8', '2.8.1', '2.8.2', '2.9'])(
    'of version %s is read',
    (version) => {
      expect(faultInHeader(header({ 12: version }))).toBeUndefined();
    },
  );

  test.each([
    [{ 9: 'ADT^A01' }, '200', 9],
    [{ 9: 'ORU^R30' }, '201', 9],
    [{ 9: '' }, '200', 9],
    [{ 10: '' }, '101', 10],
    [{ 10: 'x'.repeat(200) }, '104', 10],
    [{ 11: 'T' }, '202', 11],
    [{ 11: 'D' }, '202', 11],
    [{ 11: '' }, '202', 11],
    [{ 12: '2.2' }, '203', 12],
    [{ 12: '3.0' }, '203', 12],
    [{ 12: '' }, '203', 12],
  ])('with %j is turned away with %s', (fields, code, field) => {
    expect(faultInHeader(header(fields as unknown as Record<number, string>))).toMatchObject({
      condition: { code },
      place: { segment: 'MSH', field },
    });
  });

  test('may leave out the structure of its message', () => {
    expect(faultInHeader(header({ 9: 'ORU^R01', 12: '2.3' }))).toBeUndefined();
  });
});
