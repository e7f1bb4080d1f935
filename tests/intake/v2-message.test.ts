/**
 * The delimited form (HL7 v2.5.1 chapter 2, sections 2.5 to 2.7), held against another parser of the
 * registry (node-hl7-client) where both read the same.
 */
import fc from 'fast-check';
import { Message as PeerMessage } from 'node-hl7-client';
import { describe, expect, test } from 'vitest';
import { decodeMessage, encode } from '../../src/intake/charset.ts';
import { escaped, parseMessage, type Message, type Segment } from '../../src/intake/v2-message.ts';

const HEADER = 'MSH|^~\\&|A|B|C|D|20260302080700||ORU^R01^ORU_R01|C-1|P|2.5.1';
const latin = (bytes: Buffer): string => bytes.toString('latin1');

function parsed(text: string): Message {
  const result = parseMessage(text, latin);
  if (!result.ok) throw new Error(result.problem);
  return result.message;
}
function pid(fields: string, header = HEADER): Segment {
  return parsed(`${header}\rPID|${fields}`.replaceAll('|', header[3] ?? '|')).segments[1] as Segment;
}

describe('a message', () => {
  test.each([
    ['CR', '\r'],
    ['LF', '\n'],
    ['CR and LF', '\r\n'],
  ])('has segments that end with %s', (_name, end) => {
    const { segments } = parsed(`${HEADER}${end}PID|1||4711${end}${end}OBX|1${end}OBX|2${end}`);
    expect(segments.map(({ name, sequence }) => `${name} ${sequence}`)).toEqual(['MSH 1', 'PID 1', 'OBX 1', 'OBX 2']);
  });

  test('counts the fields of MSH from its separator', () => {
    const { header } = parsed(HEADER);
    expect([header.text(1), header.text(3), header.text(9, 2), header.text(10), header.text(12)]).toEqual([
      '|',
      'A',
      'R01',
      'C-1',
      '2.5.1',
    ]);
  });

  test('has repetitions, components and subcomponents', () => {
    const segment = pid('1||4711^^^A&2.999.1&ISO^MR~4712^^^B');
    expect(segment.repetitions(3)).toBe(2);
    expect([segment.text(3), segment.text(3, 4), segment.text(3, 4, 2), segment.text(3, 5), segment.text(3, 4, 1, 2)]).toEqual([
      '4711',
      'A',
      '2.999.1',
      'MR',
      'B',
    ]);
    expect([segment.text(3, 1, 1, 3), segment.text(99), segment.repetitions(99), segment.repetitions(2)]).toEqual(['', '', 0, 0]);
  });

  test('may choose its own separators', () => {
    const own = 'MSH$%*!+$A$B$C$D$20260302080700$$ORU%R01$C-1$P$2.5.1';
    const segment = parsed(`${own}\rPID$1$$4711%%%A+2.999.1+ISO*47!S!12`).segments[1] as Segment;
    expect([segment.text(3, 4, 2), segment.text(3, 1, 1, 2)]).toEqual(['2.999.1', '47%12']);
  });

  test('with a null says as much as with nothing', () => {
    const segment = pid('1||""^^^A');
    expect([segment.text(3), pid('1||""').repetitions(3)]).toEqual(['', 0]);
  });

  test.each([
    ['\\F\\\\S\\\\T\\\\R\\\\E\\', '|^&~\\'],
    ['a\\X41\\b', 'aAb'],
    ['\\H\\bold\\N\\', 'bold'],
    ['a\\X4\\b', 'a\\X4\\b'],
    ['a\\Xzz\\b', 'a\\Xzz\\b'],
    ['a\\.br\\b', 'a\\.br\\b'],
    ['a\\Fb', 'a\\Fb'],
    ['\\', '\\'],
    ['__proto__', '__proto__'],
  ])('reads the escapes of %s as %s', (written, meant) => {
    expect(pid(`1||${written}`).text(3)).toBe(meant);
  });

  test('reads hexadecimal escapes in its own character set', () => {
    const decoded = decodeMessage(Buffer.from(`${HEADER}||||||UNICODE UTF-8\rPID|1||\\XC3A9\\~\\XFF\\`));
    if (!decoded.ok) throw new Error(decoded.problem);
    const result = parseMessage(decoded.text, decoded.decode);
    const segment = result.ok ? result.message.segments[1] : undefined;
    expect([segment?.text(3), segment?.text(3, 1, 1, 2)]).toEqual(['é', '\\XFF\\']);
  });

  test.each([
    ['', /begins with the segment MSH/],
    ['PID|1', /begins with the segment MSH/],
    ['FHS|^~\\&', /begins with the segment MSH/],
    ['MSH|^~\\^|A', /cannot be told apart/],
    ['MSH|abcd|A', /cannot be told apart/],
    ['MSH', /cannot be told apart/],
    ['MSH||||', /cannot be told apart/],
    ['MSH|^~\\&#!|A', /cannot be told apart/],
    [`${HEADER}\rhello`, /no segment name/],
    [`${HEADER}\r${HEADER}`, /second message/],
    [`${HEADER}\r${'A|\r'.repeat(10_001)}`, /10000 segments at most/],
  ])('is none when it is %j', (text, problem) => {
    const result = parseMessage(text.slice(0, 100_000), latin);
    expect(result.ok).toBe(false);
    expect(result.ok ? '' : result.problem).toMatch(problem);
  });

  test('leaves an escape that is not closed as it was written', () => {
    expect(parsed(`${HEADER}\rPID|1||a\\F`).segments[1]?.text(3)).toBe('a\\F');
  });

  // FHIR R4, Datatypes, string: no characters below U+0020 but tab, CR and LF
  test.each(['X00', 'X410042', 'X1C', 'X7F'])('lets no control character in by the escape %s', (escape) => {
    const [, segment] = parsed(`${HEADER}\rPID|1||a\\${escape}\\b`).segments;
    expect(segment?.text(3)).toBe(`a\\${escape}\\b`);
  });

  test('of any text never makes it throw', () => {
    fc.assert(
      fc.property(
        fc.array(fc.constantFrom('MSH|^~\\&', '|', '^', '~', '\\', '&', '\r', 'PID', 'OBX|1|NM', 'X4', '""', 'é', ' '), { maxLength: 60 }),
        (parts) => {
          const result = parseMessage(parts.join(''), latin);
          for (const segment of result.ok ? result.message.segments : [])
            for (let field = 0; field < 12; field += 1) expect(typeof segment.text(field, 2, 2, 2)).toBe('string');
        },
      ),
    );
  });
});

// what a person would type, and every character that HL7 reserves
const text = fc
  .string({ unit: fc.constantFrom(...'ab1é .-|^~\\&"ß'.split('')), minLength: 1, maxLength: 12 })
  .filter((one) => one.trim() === one && one !== '""');

describe('against another parser', () => {
  test('both read what either writes', () => {
    fc.assert(
      fc.property(fc.array(fc.array(text, { minLength: 1, maxLength: 4 }), { minLength: 1, maxLength: 4 }), (repetitions) => {
        const field = repetitions.map((components) => components.map(escaped).join('^')).join('~');
        const whole = `${HEADER}\rPID|1||${field}\r`;
        const ours = parsed(whole).segments[1] as Segment;
        const theirs = new PeerMessage({ text: whole }).get('PID.3').toArray();
        repetitions.forEach((components, repetition) =>
          components.forEach((value, component) => {
            expect(ours.text(3, component + 1, 1, repetition + 1)).toBe(value);
            expect(theirs[repetition]?.toArray()[component]?.toString()).toBe(value);
          }),
        );
      }),
    );
  });

  test('we read what the other builds', () => {
    fc.assert(
      fc.property(text, text, (first, second) => {
        const built = new PeerMessage({ messageHeader: { msh_9_1: 'ORU', msh_9_2: 'R01', msh_10: 'C-1', msh_11_1: 'P' } });
        const segment = built.addSegment('PID');
        segment.set('3.1', first);
        segment.set('3.4', second);
        const ours = parsed(built.toString());
        expect([ours.header.text(9, 2), ours.header.text(10)]).toEqual(['R01', 'C-1']);
        expect([ours.segments[1]?.text(3, 1), ours.segments[1]?.text(3, 4)]).toEqual([first, second]);
      }),
    );
  });
});

describe('the character set', () => {
  const bytesOf = (charset: string, rest: Buffer | string): Buffer =>
    Buffer.concat([Buffer.from(`MSH|^~\&|A||||||ORU^R01|C|P|2.5||||||${charset}\r`), Buffer.from(rest)]);

  test.each([
    ['UNICODE UTF-8', Buffer.from('é'), 'é'],
    ['UTF-8', Buffer.from('é'), 'é'],
    ['', Buffer.from('é'), 'é'],
    ['8859/1', Buffer.from([0xe9, 0x80]), 'é\u0080'],
    ['ASCII', Buffer.from('e'), 'e'],
    ['8859/1~ASCII', Buffer.from([0xe9]), 'é'],
  ])('%s is read', (charset, rest, expected) => {
    const decoded = decodeMessage(bytesOf(charset, rest));
    expect(decoded).toMatchObject({ ok: true });
    expect(decoded.ok ? decoded.text.split('\r')[1] : '').toBe(expected);
  });

  test.each([
    ['ASCII', Buffer.from('é'), /not ASCII/],
    ['UNICODE UTF-8', Buffer.from([0xe9]), /not UNICODE UTF-8/],
    ['', Buffer.from([0xe9]), /not UNICODE UTF-8/],
    ['UNICODE UTF-16', Buffer.from('e'), /none that is read here/],
    ['8859/15', Buffer.from('e'), /none that is read here/],
    ['GB 18030-2000', Buffer.from('e'), /none that is read here/],
    ['ASCII', Buffer.from('a\0b'), /control characters/],
    ['UNICODE UTF-8', Buffer.from('a\x1cb'), /control characters/],
  ])('%s is refused for %j', (charset, rest, problem) => {
    const decoded = decodeMessage(bytesOf(charset, rest));
    expect(decoded.ok ? '' : decoded.problem).toMatch(problem);
  });

  test('may follow a byte order mark', () => {
    const decoded = decodeMessage(Buffer.concat([Buffer.from([0xef, 0xbb, 0xbf]), bytesOf('UNICODE UTF-8', 'é')]));
    expect(decoded.ok ? decoded.text.slice(0, 3) : '').toBe('MSH');
  });

  test('of an answer never loses more than a letter that it has not', () => {
    expect(encode('aé€', 'UNICODE UTF-8').toString('utf8')).toBe('aé€');
    expect(encode('aé€', '8859/1').toString('latin1')).toBe('aé?');
    expect(encode('aé€', 'ASCII').toString('latin1')).toBe('a??');
  });
});
