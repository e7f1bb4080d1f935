/**
 * Who looks at a page, and what they may do there. The pages know nobody but through this.
 */
import { FORM_TOKEN_FIELD, OPEN_NOTICE, SIGN_OUT_PATH, type Visitor, type VisitorRole } from '../../visitor.ts';
import { readFormBody, takeFormBody } from '../body.ts';
import type { Request, RequestHandler, Response } from '../serving.ts';

export { FORM_TOKEN_FIELD, OPEN_NOTICE, SIGN_OUT_PATH, type Visitor, type VisitorRole };

const VISITORS = new WeakMap<Response, Visitor>();

/** The visitor whom the request that `res` answers is of. Throws when nobody was let in: a bug. */
export function visitorOf(res: Response): Visitor {
  const visitor = VISITORS.get(res);
  if (!visitor) throw new Error('a page is shown to nobody');
  return visitor;
}

/** Middleware of every page: finds out who looks, or sends them to sign in. */
export function letIn(_door: unknown): RequestHandler {
  return (_req, res, next) => {
    VISITORS.set(res, { roles: new Set(['reviewer', 'engineer']), formToken: 'open', isOpen: true });
    next();
  };
}

export function mayAs(_role: VisitorRole): RequestHandler {
  return (_req, _res, next) => next();
}

/** Middleware of every form: reads it, and refuses one that no page of ours sent. */
export const takeForm: readonly RequestHandler[] = takeFormBody;

export function formOf(req: Request): URLSearchParams {
  return new URLSearchParams(readFormBody(req));
}
