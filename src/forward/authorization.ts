/**
 * Where the `Authorization` header of a call to the EHR comes from.
 */

export interface Authorization {
  /**
   * The value of the header for the next call; undefined when none is wanted.
   * Throws NoAccessToken when there should be one and is none.
   */
  header(): Promise<string | undefined>;
  /** The EHR answered 401 to a call with this value: the next `header` must be another. */
  refused(header: string): void;
}

/** For an EHR that lets in whoever reaches it. */
export const NO_AUTHORIZATION: Authorization = { header: () => Promise.resolve(undefined), refused: () => undefined };

/** There is no token. The message is ours, for operators: it quotes neither a secret nor what a server wrote. */
export class NoAccessToken extends Error {
  constructor(message: string) {
    super(message);
    this.name = 'NoAccessToken';
  }
}
