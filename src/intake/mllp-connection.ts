/**
 * One MLLP connection: one message after the other, each answered before the next is looked at.
 * While one is worked on nothing is read, so a sender who does not wait fills its own buffers.
 */
import type { Socket } from 'node:net';
import { FrameReader, toFrame, type Frame, type FrameLimits } from './frames.ts';
import { CONDITION } from './v2-codes.ts';
import { fault, type V2Fault } from './v2-fault.ts';

export interface ConnectionLimits extends FrameLimits {
  /** From the first byte of a block to its last. */
  readonly longestMessageMs: number;
  /** How long CR may come behind FS; then the block has ended without. */
  readonly longestReturnMs: number;
  /** Without a byte either way. */
  readonly longestIdleMs: number;
  /** For the answer to be taken, and for the sender to close after its last one. */
  readonly longestGoodbyeMs: number;
}

/** Why something of a connection was not used; a label of the metrics. */
export type ConnectionFault = 'half' | 'too-large' | 'no-blocks' | 'too-slow' | 'too-many' | 'tls';

export interface ConnectionParts {
  readonly limits: ConnectionLimits;
  /** The answer, when there is to be one. Must not throw. */
  readonly answer: (bytes: Buffer) => Promise<Buffer | undefined>;
  readonly answerUnread: (head: Buffer, problem: V2Fault) => Promise<Buffer | undefined>;
  readonly noteFault: (reason: ConnectionFault) => void;
  /** Does something later, unless it is called off; by the clock of the system when absent. */
  readonly later?: Later;
}

/** Returns what calls it off. */
export type Later = (act: () => void, ms: number) => () => void;

const laterByClock: Later = (act, ms) => {
  const timer = setTimeout(act, ms);
  return () => clearTimeout(timer);
};

const TOO_LARGE = (bytes: number): string => `The message has more than ${bytes} bytes. Nothing of it was stored; send several messages.`;
const TOO_SLOW = 'The message did not end in time. Nothing of it was stored; send it again, and end it with FS and CR.';

type State = 'open' | 'finishing' | 'closing';

export class MllpConnection {
  readonly #socket: Socket;
  readonly #parts: ConnectionParts;
  readonly #reader: FrameReader;
  #state: State = 'open';
  /** All work in order; the last of it. */
  #work: Promise<void> = Promise.resolve();
  #isBusy = false;
  readonly #later: Later;
  #callOffMessage = (): void => undefined;
  #callOffReturn = (): void => undefined;

  constructor(socket: Socket, parts: ConnectionParts) {
    this.#socket = socket;
    this.#parts = parts;
    this.#later = parts.later ?? laterByClock;
    this.#reader = new FrameReader(parts.limits);
    socket.setKeepAlive(true, 60_000);
    socket.setNoDelay(true);
    socket.setTimeout(parts.limits.longestIdleMs, () => {
      if (this.isIdle) this.#hangUp();
    });
    socket.on('data', (chunk: Buffer) => {
      if (this.#state === 'closing') return;
      socket.pause();
      this.#inOrder(async () => {
        await this.#receive(chunk);
        socket.resume();
      });
    });
    socket.on('end', () => this.#inOrder(() => this.#goodbye()));
    // a peer that went away is no fault of anybody's; close follows
    socket.on('error', () => socket.destroy());
    socket.on('close', () => this.#clearTimers());
  }

  /** No message is worked on, and none has begun. */
  get isIdle(): boolean {
    return !this.#isBusy && !this.#reader.isInside;
  }

  /** Answers what is being worked on, then closes. What has only begun is given up: its sender has no answer. */
  finish(): void {
    if (this.#state !== 'open') return;
    this.#state = 'finishing';
    if (!this.#isBusy) this.#socket.destroySoon();
  }

  destroy(): void {
    this.#socket.destroy();
  }

  #inOrder(act: () => Promise<void>): void {
    this.#work = this.#work.then(act).catch(() => void this.#socket.destroy());
  }

  async #receive(chunk: Buffer): Promise<void> {
    this.#callOffReturn();
    const wasInside = this.#reader.isInside;
    const frames = this.#reader.push(chunk);
    if (frames.length > 0 || !this.#reader.isInside) this.#callOffMessage();
    for (const frame of frames) await this.#take(frame);
    if (this.#state === 'open' && this.#reader.isInside) this.#watch(!wasInside || frames.length > 0);
  }

  #watch(isNew: boolean): void {
    const { longestMessageMs, longestReturnMs } = this.#parts.limits;
    if (isNew) this.#callOffMessage = this.#later(() => this.#inOrder(() => this.#giveUp()), longestMessageMs);
    if (this.#reader.lacksOnlyReturn)
      this.#callOffReturn = this.#later(() => this.#inOrder(() => this.#takeWithoutReturn()), longestReturnMs);
  }

  async #takeWithoutReturn(): Promise<void> {
    const frame = this.#reader.takeWithoutReturn();
    if (frame === undefined || this.#state !== 'open') return;
    this.#callOffMessage();
    await this.#take(frame);
  }

  async #giveUp(): Promise<void> {
    if (!this.#reader.isInside || this.#state !== 'open') return;
    await this.#refuse(Buffer.alloc(0), 'too-slow', fault('ERR_TIMEOUT', CONDITION.internal, TOO_SLOW));
  }

  async #take(frame: Frame): Promise<void> {
    // what comes behind the last answer is not answered, and so sent again
    if (this.#state !== 'open') return;
    const { limits, noteFault } = this.#parts;
    if (frame.kind === 'half') noteFault('half');
    else if (frame.kind === 'no-blocks') {
      noteFault('no-blocks');
      this.#hangUp();
    } else if (frame.kind === 'too-large')
      await this.#refuse(frame.head, 'too-large', fault('ERR_TOO_LARGE', CONDITION.tooLong, TOO_LARGE(limits.mostBytes)));
    else await this.#answer(() => this.#parts.answer(frame.bytes));
  }

  async #refuse(head: Buffer, reason: ConnectionFault, problem: V2Fault): Promise<void> {
    this.#parts.noteFault(reason);
    await this.#answer(() => this.#parts.answerUnread(head, problem));
    this.#hangUp();
  }

  /** Behind the work that is waiting: the peer has said all that it wanted to, and the CR that a message lacks will not come. */
  async #goodbye(): Promise<void> {
    await this.#takeWithoutReturn();
    if (this.#state === 'open' && this.#reader.isInside) this.#parts.noteFault('half');
    this.#hangUp();
  }

  async #answer(make: () => Promise<Buffer | undefined>): Promise<void> {
    this.#isBusy = true;
    try {
      const answer = await make();
      if (answer) await this.#send(toFrame(answer));
    } finally {
      this.#isBusy = false;
      if (this.#state === 'finishing') this.#hangUp();
    }
  }

  /** Resolves when the system has taken the bytes, or the connection is gone. */
  async #send(bytes: Buffer): Promise<void> {
    if (this.#socket.destroyed || !this.#socket.writable) return;
    const callOff = this.#later(() => this.#socket.destroy(), this.#parts.limits.longestGoodbyeMs);
    await new Promise<void>((resolve) => {
      this.#socket.once('close', resolve);
      this.#socket.write(bytes, () => {
        this.#socket.off('close', resolve);
        resolve();
      });
    });
    callOff();
  }

  /** Sends what is still to be sent and closes; what the peer goes on sending is thrown away, lest its answer be lost with it. */
  #hangUp(): void {
    if (this.#state === 'closing') return;
    this.#state = 'closing';
    this.#clearTimers();
    this.#socket.end();
    this.#socket.resume();
    const callOff = this.#later(() => this.#socket.destroy(), this.#parts.limits.longestGoodbyeMs);
    this.#socket.once('close', callOff);
  }

  #clearTimers(): void {
    this.#callOffMessage();
    this.#callOffReturn();
  }
}
