/** Blocks in and out (HL7 "Transport Specification: MLLP, Release 1", 2006, section 2.2). */
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { FrameReader, toFrame, type Frame } from '../../src/intake/frames.ts';

const LIMITS = { mostBytes: 100, mostStray: 20 };
const read = (...chunks: readonly (string | Buffer)[]): Frame[] => {
  const reader = new FrameReader(LIMITS);
  return chunks.flatMap((chunk) => reader.push(Buffer.from(chunk)));
};
const told = (frames: readonly Frame[]): string[] =>
  frames.map((frame) =>
    frame.kind === 'message' ? frame.bytes.toString() : frame.kind === 'too-large' ? `too-large ${frame.head.toString()}` : frame.kind,
  );

describe('a stream of bytes', () => {
  test.each<[string, readonly (string | Buffer)[], readonly string[]]>([
    ['one block', ['\vMSH|a\x1c\r'], ['MSH|a']],
    ['two blocks in one packet', ['\va\x1c\r\vb\x1c\r'], ['a', 'b']],
    ['a block in three packets', ['\vM', 'S', 'H\x1c\r'], ['MSH']],
    ['FS and CR in two packets', ['\va\x1c', '\r\vb\x1c\r'], ['a', 'b']],
    ['the two bytes of a letter in two packets', [Buffer.from([0x0b, 0xc3]), Buffer.from([0xa9, 0x1c, 0x0d])], ['é']],
    ['bytes before a block', ['xx\va\x1c\r'], ['a']],
    ['line ends between blocks', [`${'\r\n'.repeat(100)}\va\x1c\r\n\n\vb\x1c\r`], ['a', 'b']],
    ['no CR behind FS, and another block', ['\va\x1c\vb\x1c\r'], ['a', 'b']],
    ['FS inside of a block', ['\va\x1cb\x1c\r'], ['a\x1cb']],
    ['FS twice at the end', ['\va\x1c\x1c\r'], ['a\x1c']],
    ['half a block and then a whole one', ['\vhalf\vb\x1c\r'], ['half', 'b']],
    ['a block that never ends', ['\vabc'], []],
    ['nothing', [''], []],
    ['an empty block', ['\v\x1c\r'], ['']],
    ['more than a message may have, and what comes behind', [`\v${'x'.repeat(101)}`, '\x1c\r\va\x1c\r'], [`too-large ${'x'.repeat(101)}`]],
    ['more than may be outside of blocks', ['GET / HTTP/1.1 and so on', '\va\x1c\r'], ['no-blocks']],
    ['a little outside of each of many', ['\va\x1c\r', ...Array<string>(5).fill('some noise\va\x1c\r')], Array<string>(6).fill('a')],
    ['nothing but beginnings', ['\v'.repeat(30)], ['no-blocks']],
  ])('with %s', (_what, chunks, expected) => {
    const frames = read(...chunks);
    expect(told(frames)).toEqual(expected.map((one) => (one === 'half' ? 'half' : one)));
  });

  test('gives a block that lacks only its CR when it is asked to', () => {
    const reader = new FrameReader(LIMITS);
    expect(reader.push(Buffer.from('\va\x1c'))).toEqual([]);
    expect([reader.isInside, reader.lacksOnlyReturn]).toEqual([true, true]);
    expect(reader.takeWithoutReturn()).toEqual({ kind: 'message', bytes: Buffer.from('a') });
    expect([reader.isInside, reader.takeWithoutReturn()]).toEqual([false, undefined]);
  });

  test('cut anywhere gives the same messages', () => {
    const body = fc.uint8Array({ maxLength: 40 }).map((bytes) => Buffer.from(bytes.filter((byte) => byte !== 0x0b && byte !== 0x1c)));
    fc.assert(
      fc.property(fc.array(body, { maxLength: 6 }), fc.array(fc.nat(40), { maxLength: 30 }), (bodies, cuts) => {
        const stream = Buffer.concat(bodies.map(toFrame));
        const reader = new FrameReader(LIMITS);
        const frames: Frame[] = [];
        let at = 0;
        for (const cut of [...cuts, stream.length]) {
          frames.push(...reader.push(stream.subarray(at, at + cut)));
          at += cut;
        }
        frames.push(...reader.push(stream.subarray(at)));
        expect(frames).toEqual(bodies.map((bytes) => ({ kind: 'message', bytes })));
      }),
    );
  });

  test('of any bytes never makes it throw, nor hold more than a message', () => {
    const marked = fc.array(fc.oneof(fc.constantFrom(0x0b, 0x1c, 0x0d, 0x0a), fc.nat(255)), { maxLength: 400 });
    fc.assert(
      fc.property(marked, (bytes) => {
        for (const frame of read(Buffer.from(bytes)))
          expect(frame.kind === 'message' ? frame.bytes.length : 0).toBeLessThanOrEqual(LIMITS.mostBytes);
      }),
    );
  });
});
