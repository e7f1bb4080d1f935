import { describe, expect, test } from 'vitest';
import { startProgress, startReading, type Progress } from '../../src/cli/progress.ts';

/** A stream that is, or is not, a terminal. */
function streamOf(isTTY: boolean) {
  let written = '';
  const stream = {
    isTTY,
    columns: 100,
    write: (text: string) => (written += text) !== '',
    cursorTo: () => true,
    moveCursor: () => true,
    clearLine: () => true,
    on: () => stream,
  };
  return { stream: stream as unknown as NodeJS.WriteStream, written: () => written };
}

const run = (progress: Progress): void => {
  for (let done = 1; done <= 8; done += 1) progress.step(done, `file ${done}`);
  progress.end();
};

describe('progress', () => {
  test('by what was read is a bar on a terminal', () => {
    const { stream, written } = streamOf(true);
    run(startReading(8, stream));
    expect(written()).toContain('━');
    expect(written()).toContain('100 %');
  });

  test('by what was read is nothing at all anywhere else, so that a log stays a log', () => {
    const { stream, written } = streamOf(false);
    run(startReading(8, stream));
    expect(written()).toBe('');
  });

  test('by what was sent is a plain line now and then where there is no terminal', () => {
    const { stream, written } = streamOf(false);
    run(startProgress(8, 'lines sent', stream));
    expect(written()).toBe('  2 of 8 lines sent\n  4 of 8 lines sent\n  6 of 8 lines sent\n  8 of 8 lines sent\n');
  });
});
