/**
 * Blocks of the Minimal Lower Layer Protocol out of a stream of bytes, and into one: VT, the
 * message, FS, CR (HL7 "Transport Specification: MLLP, Release 1", 2006, section 2.2).
 *
 * Bytes are cut nowhere but at these marks, so that a character whose bytes come in two packets
 * stays whole. Nothing of a block is given out before its end is here.
 */

export const START_BLOCK = 0x0b;
export const END_BLOCK = 0x1c;
const CARRIAGE_RETURN = 0x0d;
const LINE_FEED = 0x0a;

export type Frame =
  | { readonly kind: 'message'; readonly bytes: Buffer }
  /** A block began before the one before it had ended: of that one nothing is used. */
  | { readonly kind: 'half' }
  /** More than may be; `head` is how it begins. Nothing more is read. */
  | { readonly kind: 'too-large'; readonly head: Buffer }
  /** So much came outside of blocks that this is no MLLP. Nothing more is read. */
  | { readonly kind: 'no-blocks' };

export interface FrameLimits {
  /** Bytes of one message. */
  readonly mostBytes: number;
  /** Bytes outside of whole blocks between two messages. */
  readonly mostStray: number;
}

/** Enough for the first segment of any message that is meant well. */
const HEAD_BYTES = 4_096;

type State = 'outside' | 'inside' | 'at-end' | 'closed';

export class FrameReader {
  readonly #limits: FrameLimits;
  #state: State = 'outside';
  /** Grows as it has to: a sender of single bytes must not cost an object for each. */
  #collected = Buffer.alloc(0);
  #size = 0;
  #stray = 0;

  constructor(limits: FrameLimits) {
    this.#limits = limits;
  }

  /** A block has begun and not ended. */
  get isInside(): boolean {
    return this.#state === 'inside' || this.#state === 'at-end';
  }

  /** All of a block is here but the CR at its end. */
  get lacksOnlyReturn(): boolean {
    return this.#state === 'at-end';
  }

  /** What the bytes complete, in order. */
  push(chunk: Buffer): Frame[] {
    const frames: Frame[] = [];
    let at = 0;
    while (at < chunk.length && this.#state !== 'closed') {
      if (this.#state === 'outside') at = this.#skipTo(chunk, at, frames);
      else if (this.#state === 'at-end') at = this.#end(chunk, at, frames);
      else at = this.#collect(chunk, at, frames);
    }
    return frames;
  }

  /** The block that lacks only its CR, from a sender who never sends one. */
  takeWithoutReturn(): Frame | undefined {
    return this.#state === 'at-end' ? this.#take() : undefined;
  }

  #skipTo(chunk: Buffer, at: number, frames: Frame[]): number {
    const start = chunk.indexOf(START_BLOCK, at);
    const end = start < 0 ? chunk.length : start;
    let stray = 0;
    // some senders put line ends between blocks
    for (let index = at; index < end; index += 1) if (!isLineEnd(chunk[index])) stray += 1;
    this.#noteStray(stray, frames);
    if (start >= 0 && this.#state === 'outside') this.#state = 'inside';
    return end + 1;
  }

  /** Behind FS: with CR the block has ended; another block that begins ends it as well; else FS was no end. */
  #end(chunk: Buffer, at: number, frames: Frame[]): number {
    const byte = chunk[at];
    if (byte === CARRIAGE_RETURN || byte === START_BLOCK) {
      frames.push(this.#take());
      return byte === CARRIAGE_RETURN ? at + 1 : at;
    }
    this.#keep(Buffer.of(END_BLOCK), frames);
    if (this.#state === 'at-end') this.#state = 'inside';
    return at;
  }

  #collect(chunk: Buffer, at: number, frames: Frame[]): number {
    let mark = at;
    while (mark < chunk.length && chunk[mark] !== END_BLOCK && chunk[mark] !== START_BLOCK) mark += 1;
    this.#keep(chunk.subarray(at, mark), frames);
    if (this.#state === 'closed' || mark === chunk.length) return mark;
    if (chunk[mark] === END_BLOCK) this.#state = 'at-end';
    else {
      const lost = this.#size;
      this.#clear();
      if (lost > 0) frames.push({ kind: 'half' });
      this.#noteStray(lost + 1, frames);
      if (this.#state === 'outside') this.#state = 'inside';
    }
    return mark + 1;
  }

  #keep(bytes: Buffer, frames: Frame[]): void {
    if (bytes.length === 0) return;
    const size = this.#size + bytes.length;
    if (size > this.#limits.mostBytes) {
      const head = Buffer.concat([this.#collected.subarray(0, this.#size), bytes]).subarray(0, HEAD_BYTES);
      frames.push({ kind: 'too-large', head });
      this.#close();
      return;
    }
    if (size > this.#collected.length) {
      const grown = Buffer.alloc(Math.max(size, 2 * this.#collected.length));
      this.#collected.copy(grown, 0, 0, this.#size);
      this.#collected = grown;
    }
    bytes.copy(this.#collected, this.#size);
    this.#size = size;
  }

  #noteStray(count: number, frames: Frame[]): void {
    this.#stray += count;
    if (this.#stray <= this.#limits.mostStray) return;
    frames.push({ kind: 'no-blocks' });
    this.#close();
  }

  #take(): Frame {
    const bytes = this.#collected.subarray(0, this.#size);
    this.#clear();
    this.#stray = 0;
    return { kind: 'message', bytes };
  }

  #clear(): void {
    this.#collected = Buffer.alloc(0);
    this.#size = 0;
    this.#state = 'outside';
  }

  #close(): void {
    this.#clear();
    this.#state = 'closed';
  }
}

function isLineEnd(byte: number | undefined): boolean {
  return byte === CARRIAGE_RETURN || byte === LINE_FEED;
}

/** One message as a block. */
export function toFrame(message: Buffer): Buffer {
  return Buffer.concat([Buffer.of(START_BLOCK), message, Buffer.of(END_BLOCK, CARRIAGE_RETURN)]);
}
