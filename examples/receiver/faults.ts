/**
 * Ways in which a real EHR lets a sender down, to be asked for by tests: each is used up by one
 * request of its kind, in order. What a fault does to the answer happens on the real socket.
 */

/** What becomes of an answer after the request was applied. */
export type SpoiltAnswer =
  | { readonly spoil: 'reset' }
  /** Half of the body, then the connection is cut. */
  | { readonly spoil: 'truncate' }
  /** No answer at all until the receiver closes. */
  | { readonly spoil: 'hang' }
  | { readonly spoil: 'reverse-entries' }
  | { readonly spoil: 'drop-entry' }
  | { readonly spoil: 'replace'; readonly status: number; readonly headers?: Readonly<Record<string, string>>; readonly body?: string };

export type Fault = { readonly on?: 'bundle' | 'search' } & (
  | { readonly do: 'nothing' }
  /** Answers without applying. */
  | { readonly do: 'answer'; readonly status: number; readonly headers?: Readonly<Record<string, string>>; readonly body?: string }
  | { readonly do: 'reset' }
  /** Applies and answers as usual, but later. */
  | { readonly do: 'delay'; readonly ms: number }
  | { readonly do: 'apply-then'; readonly then: SpoiltAnswer }
);

export class FaultScript {
  readonly #waiting: Fault[];

  constructor(faults: readonly Fault[]) {
    this.#waiting = [...faults];
  }

  add(faults: readonly Fault[]): void {
    this.#waiting.push(...faults);
  }

  /** Uses up the next fault for this kind of request. */
  next(kind: 'bundle' | 'search'): Fault | undefined {
    const index = this.#waiting.findIndex(({ on = 'bundle' }) => on === kind);
    return index < 0 ? undefined : this.#waiting.splice(index, 1)[0];
  }
}
