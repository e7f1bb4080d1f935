/** Who looks at a page is found out once, before the limits, which are a visitor's own and not an address's. */
import { notesOf } from '../request-notes.ts';
import type { Request, RequestHandler, Response, Serving } from '../serving.ts';
import type { PageSession } from '../../ports.ts';
import { sessionIdIn } from './cookies.ts';

/** `/review` or `/try` when that is where the path leads; undefined for what is no page for people. */
export function pageAreaOf(path: string): string | undefined {
  return /^\/(?:review|try)(?=\/|$)/.exec(path)?.[0];
}

/** Of a request to a page: the session that its cookie is of, or the error that kept it from being found. */
export type FoundSession = { readonly id: string; readonly session: PageSession | undefined } | { readonly failure: unknown };

const FOUND = new WeakMap<Response, FoundSession>();

/** Undefined when the browser brought no session. */
export function foundSession(res: Response): FoundSession | undefined {
  return FOUND.get(res);
}

/** What a page does without anybody touching it: it keeps no session alive, and begins none. */
export function isByItself(req: Request): boolean {
  return `${req.baseUrl}${req.path}` === '/review/events' || req.get('x-renewal') !== undefined;
}

/** Middleware. Looks at nothing but requests for pages: a cookie opens nothing else. */
export function identifyVisitor({ signIn }: Pick<Serving, 'signIn'>): RequestHandler {
  if (signIn === undefined) return (_req, _res, next) => next();
  return async (req: Request, res: Response, next) => {
    const id = pageAreaOf(req.path) !== undefined ? sessionIdIn(req, signIn) : undefined;
    if (id !== undefined) {
      try {
        const session = await signIn.sessions.find(id, { isUse: !isByItself(req) });
        FOUND.set(res, { id, session });
        if (session) notesOf(res).visitor = session.digest;
      } catch (failure) {
        FOUND.set(res, { failure });
      }
    }
    next();
  };
}
