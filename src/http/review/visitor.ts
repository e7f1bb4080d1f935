/**
 * Who looks at a page, and what they may do there. The pages know nobody but through this.
 */
import type { RequestHandler, Response } from '../serving.ts';

/** What the claims of an identity token make of somebody. */
export type VisitorRole = 'reviewer' | 'engineer';

export interface Visitor {
  /** As the page greets them; absent while nobody has to sign in. */
  readonly name?: string;
  readonly roles: ReadonlySet<VisitorRole>;
  /** Goes into every form of a page, and comes back with it. */
  readonly formToken: string;
}

const VISITORS = new WeakMap<Response, Visitor>();

/** The visitor whom the request that `res` answers is of. Throws when nobody was let in: a bug. */
export function visitorOf(res: Response): Visitor {
  const visitor = VISITORS.get(res);
  if (!visitor) throw new Error('a page is shown to nobody');
  return visitor;
}

/** Middleware of every page: finds out who looks, or sends them to sign in. */
export function letIn(): RequestHandler {
  return (_req, res, next) => {
    VISITORS.set(res, { roles: new Set(['reviewer', 'engineer']), formToken: 'open' });
    next();
  };
}

/** Middleware of every form: reads it, and refuses one that no page of ours sent. */
export const takeForm: readonly RequestHandler[] = [];
