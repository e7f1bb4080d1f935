/** Signing in to the pages, as the edge is told it by the composition root. */
import type { PageSession } from '../../ports.ts';
import type { VisitorRole } from '../../visitor.ts';

export interface SignIn {
  /** Where people see the pages: scheme, host and port. Cookies are `Secure` when it is https. */
  readonly origin: string;
  readonly provider: IdentityProvider;
  readonly sessions: SessionKeeper;
  /** Told to those who have no role here. */
  readonly rolesClaim: string;
}

/** What must be known again when somebody comes back from the provider. */
export interface SignInSecrets {
  readonly state: string;
  readonly nonce: string;
  /** Of PKCE (RFC 7636). */
  readonly verifier: string;
}

export interface IdentityProvider {
  /**
   * Where to send somebody who is to sign in; with `isAnew` the provider asks who they are, whomever it remembers.
   *
   * @throws SignInUnavailable
   */
  begin(how: { readonly isAnew: boolean }): Promise<{ readonly url: string; readonly secrets: SignInSecrets }>;
  /**
   * Whom the provider says that they are.
   *
   * @param query of the address by which they came back
   * @throws SignInRefused, SignInUnavailable
   */
  finish(query: string, secrets: SignInSecrets): Promise<Identity>;
  /** Where to send somebody who is to be signed out of the provider too; undefined when it has no such place. @throws SignInUnavailable */
  signOutUrl(): Promise<string | undefined>;
}

/** Who somebody is, as their identity token says it. */
export interface Identity {
  readonly issuer: string;
  readonly subject: string;
  readonly fhirUser?: string;
  readonly name?: string;
  readonly roles: readonly VisitorRole[];
}

export interface SessionKeeper {
  /** Opens a session and ends the former one of that browser. Returns its id, which is a secret. @throws StoreUnavailable */
  open(identity: Identity, requestId: string, formerId?: string): Promise<string>;
  /** Undefined for an id that is not known (any more). Being found is being used. @throws StoreUnavailable */
  /** `isUse`: somebody did something, which keeps the session alive. */
  find(id: string, how: { readonly isUse: boolean }): Promise<PageSession | undefined>;
  /** @throws StoreUnavailable */
  end(id: string, requestId: string): Promise<void>;
}

/** Why somebody is not let in: told to the audit and the log, never a word of a token. */
export type SignInRefusal =
  /** They come back without having been sent from here, or too late. */
  | 'not-begun'
  /** The provider said no. */
  | 'declined'
  /** What they bring is not what the provider gave, or is not meant for us, or was used before. */
  | 'answer'
  /** Their identity token is none that we take. */
  | 'token'
  | 'no-role';

export class SignInRefused extends Error {
  readonly reason: SignInRefusal;
  constructor(reason: SignInRefusal, cause?: unknown) {
    super(`signing in is refused: ${reason}`, cause === undefined ? undefined : { cause });
    this.name = 'SignInRefused';
    this.reason = reason;
  }
}

/** The provider cannot be used now: not the fault of who signs in. */
export class SignInUnavailable extends Error {
  constructor(cause: unknown) {
    super('the identity provider cannot be used now', { cause });
    this.name = 'SignInUnavailable';
  }
}
