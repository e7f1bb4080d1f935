/** Who may come in, as the edge is told it by the composition root. */
import type { Caller } from '../../caller.ts';

/** Without `tokens`, everybody who reaches the port. */
export interface Auth {
  readonly tokens?: {
    /** Throws ServiceError ERR_UNAUTHENTICATED, ERR_KEYS_UNAVAILABLE. */
    readonly holderOf: (token: string) => Promise<Caller>;
    readonly issuer: string;
    /** Absent when the key set is a file. */
    readonly keysUrl?: string;
  };
}

export const ANYBODY_MAY: Auth = Object.freeze({});
