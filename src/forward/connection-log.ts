/**
 * What is said in the log about the way to the EHR: tokens, keys, certificates. Messages are our
 * own words and hold no secret.
 */

type Line = (fields: { readonly status?: number }, message: string) => void;

/** A `ForwardLog` is one. */
export interface ConnectionLog {
  readonly info: Line;
  readonly warn: Line;
  readonly error: Line;
}
