/** Who looks at a page for people, as its views and its routes know them. */

/** What the claims of an identity token make of somebody. */
export type VisitorRole = 'reviewer' | 'engineer';

export interface Visitor {
  /** As the page greets them; absent while nobody has to sign in, and where the provider says no name. */
  readonly name?: string;
  readonly roles: ReadonlySet<VisitorRole>;
  /** Goes into every form of a page as `FORM_TOKEN_FIELD`, and comes back with it. */
  readonly formToken: string;
  /** Nobody signs in (`STEELYARD_AUTH=none`), which each page says by `OPEN_NOTICE`; there is nothing to sign out of. */
  readonly isOpen: boolean;
}

/** Name of the hidden field that holds `Visitor.formToken`. */
export const FORM_TOKEN_FIELD = 'form-token';

/** Where a form of its own (POST, with the token) signs a visitor out. */
export const SIGN_OUT_PATH = '/review/sign-out';

export const OPEN_NOTICE =
  'Nobody signs in here (STEELYARD_AUTH=none): whoever uses this machine can see and do everything, and decisions name whom the form names.';
