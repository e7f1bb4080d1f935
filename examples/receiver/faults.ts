/**
 * Ways in which a real EHR lets a sender down, to be asked for by tests: each is used up by one
 * request that it is aimed at, in order. What a fault does to the answer happens on the real socket.
 */

/** What becomes of an answer after the request was applied. */
export type SpoiltAnswer =
  | { readonly spoil: 'reset' }
  /** Half of the body, then the connection is cut. */
  | { readonly spoil: 'truncate' }
  /** No answer at all until the receiver closes. */
  | { readonly spoil: 'hang' }
  /** The head, then the body a byte at a time. */
  | { readonly spoil: 'drip'; readonly msPerByte: number }
  /** `Content-Length` is so many bytes less or more than the body has. */
  | { readonly spoil: 'wrong-length'; readonly by: number }
  | { readonly spoil: 'reverse-entries' }
  | { readonly spoil: 'drop-entry' }
  | { readonly spoil: 'extra-entry' }
  /** Entries carry their status as a number, not as a text. */
  | { readonly spoil: 'numeric-statuses' }
  | { readonly spoil: 'replace'; readonly status: number; readonly headers?: Readonly<Record<string, string>>; readonly body?: string };

interface Aim {
  /** The kind of request that it waits for; a Bundle when absent. */
  readonly on?: 'bundle' | 'search';
  /** Spares requests whose body does not hold this text. */
  readonly bodyHas?: string;
  /** Is never used up. */
  readonly isLasting?: boolean;
}

export type Fault = Aim &
  (
    | { readonly do: 'nothing' }
    /** Answers without applying. */
    | { readonly do: 'answer'; readonly status: number; readonly headers?: Readonly<Record<string, string>>; readonly body?: string }
    | { readonly do: 'reset' }
    /** Applies and answers as usual, but later. */
    | { readonly do: 'delay'; readonly ms: number }
    | { readonly do: 'apply-then'; readonly then: SpoiltAnswer }
    /** Stores something else than was sent, and answers as if it had not. */
    | { readonly do: 'alter'; readonly alter: (body: string) => string }
  );

/** Says what goes wrong with a request; a script does, and so may dice. */
export interface FaultSource {
  next(kind: 'bundle' | 'search', body: string): Fault | undefined;
}

export class FaultScript implements FaultSource {
  readonly #waiting: Fault[];

  constructor(faults: readonly Fault[]) {
    this.#waiting = [...faults];
  }

  add(faults: readonly Fault[]): void {
    this.#waiting.push(...faults);
  }

  /** The next fault for this request, which is thereby used up unless it is a lasting one. */
  next(kind: 'bundle' | 'search', body: string): Fault | undefined {
    const index = this.#waiting.findIndex(({ on = 'bundle', bodyHas = '' }) => on === kind && body.includes(bodyHas));
    const fault = this.#waiting[index];
    if (fault !== undefined && fault.isLasting !== true) this.#waiting.splice(index, 1);
    return fault;
  }
}
