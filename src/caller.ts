/**
 * Who makes a call: what a token said of its holder, and what follows for what the call may do.
 * Plain data, made at an edge, noted with everything that is done for it.
 */

export interface Caller {
  /** `client_id` of the token; absent while nobody has to show one. */
  readonly client?: string;
  /** The person who acts through the client, by the token's own opaque name for them. */
  readonly user?: string;
  /** Devices of ours (`scale-4`) for which this client may post readings; absent: for every one. */
  readonly devices?: ReadonlySet<string>;
}

/** One call, as far as the use case has to know of it. */
export interface Call {
  /** `X-Request-Id` of the caller, or ours. */
  readonly requestId: string;
  readonly caller: Caller;
  /** W3C Trace Context of our work on it, while calls are traced. */
  readonly traceParent?: string;
}

/** Whoever reaches the port, while `STEELYARD_AUTH=none`. */
export const ANYBODY: Caller = Object.freeze({});
