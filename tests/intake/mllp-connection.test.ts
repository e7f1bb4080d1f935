/** One connection on a clock of the test's own: what each timer is for, and what comes behind a last answer. */
import { Duplex } from 'node:stream';
import type { Socket } from 'node:net';
import { afterEach, beforeEach, expect, test } from 'vitest';
import { MllpConnection, type ConnectionFault, type Later } from '../../src/intake/mllp-connection.ts';

/** What a connection uses of a socket, with nothing under it. */
class Line extends Duplex {
  readonly sent: string[] = [];
  override _read(): void {
    // bytes are pushed by the test
  }
  override _write(chunk: Buffer, _encoding: string, done: () => void): void {
    this.sent.push(chunk.toString());
    done();
  }
  setKeepAlive(): void {
    // nobody to be asked
  }
  setNoDelay(): void {
    // nothing is delayed
  }
  setTimeout(): void {
    // idleness is not tried here
  }
  destroySoon(): void {
    this.end(() => this.destroy());
  }
}

/** What is to be done later, on a clock that only the test moves. */
class Clock {
  #nowMs = 0;
  readonly #waiting = new Set<{ readonly atMs: number; readonly act: () => void }>();

  readonly later: Later = (act, ms) => {
    const one = { atMs: this.#nowMs + ms, act };
    this.#waiting.add(one);
    return () => void this.#waiting.delete(one);
  };

  pass(ms: number): void {
    this.#nowMs += ms;
    for (const one of [...this.#waiting].sort((a, b) => a.atMs - b.atMs)) {
      if (one.atMs > this.#nowMs || !this.#waiting.delete(one)) continue;
      one.act();
    }
  }
}

const LIMITS = {
  mostBytes: 1_000,
  mostStray: 100,
  longestMessageMs: 1_000,
  longestReturnMs: 100,
  longestIdleMs: 9_000,
  longestGoodbyeMs: 50,
};

let clock: Clock;
let line: Line;
let connection: MllpConnection;
let heard: string[];
let faults: ConnectionFault[];
/** Runs while a message is answered. */
let meanwhile: () => void;
beforeEach(() => {
  [clock, line, heard, faults, meanwhile] = [new Clock(), new Line(), [], [], () => undefined];
  connection = new MllpConnection(line as unknown as Socket, {
    limits: LIMITS,
    answer: (bytes) => {
      heard.push(bytes.toString());
      meanwhile();
      return Promise.resolve(Buffer.from(`to ${bytes.toString()}`));
    },
    answerUnread: () => Promise.resolve(Buffer.from('too slow')),
    noteFault: (fault) => faults.push(fault),
    later: clock.later,
  });
});
afterEach(() => connection.destroy());

const settled = async (): Promise<void> => {
  for (let turn = 0; turn < 20; turn += 1) await new Promise((resolve) => setImmediate(resolve));
};
const arrives = async (text: string): Promise<void> => {
  line.push(Buffer.from(text));
  await settled();
};
const pass = async (ms: number): Promise<void> => {
  clock.pass(ms);
  await settled();
};
const block = (text: string): string => `\v${text}\x1c\r`;

test('each message has its whole time, however long the one before it took', async () => {
  await arrives('\vfirst');
  await pass(900);
  await arrives('\x1c\r');
  await arrives('\vsecond');
  await pass(900);
  await arrives('\x1c\r');
  expect([heard, faults]).toEqual([['first', 'second'], []]);
});

test('one that begins in the packet that ends another has its time from then, and no more', async () => {
  await arrives('\vfirst');
  await pass(900);
  await arrives('\x1c\r\vsecond');
  await pass(900);
  expect(faults).toEqual([]);
  await pass(100);
  expect([heard, faults, line.sent]).toEqual([['first'], ['too-slow'], [block('to first'), block('too slow')]]);
});

test('one that comes in many packets has no more time for that', async () => {
  for (const part of ['\va', 'b', 'c', 'd']) {
    await arrives(part);
    await pass(250);
  }
  expect([heard, faults]).toEqual([[], ['too-slow']]);
});

test('what lies behind the message that is worked on when it stops is neither taken nor answered', async () => {
  meanwhile = () => connection.finish();
  await arrives(block('first') + block('second'));
  expect([heard, line.sent]).toEqual([['first'], [block('to first')]]);
});

test('an answer that fails closes the connection, and nothing behind it is taken', async () => {
  meanwhile = () => {
    throw new Error('invented');
  };
  await arrives(block('first') + block('second'));
  expect([heard, line.sent, line.destroyed]).toEqual([['first'], [], true]);
});
