/**
 * The door: who calls is found out once, before anything of the request is read; whether they may
 * do it, at the route. A token that is refused closes only what needs one, so that health checks
 * and published pages answer whatever a proxy adds to them.
 */
import { ServiceError } from '../../errors.ts';
import { stormAround, tooManyFailures } from '../failed-logins.ts';
import { notesOf } from '../request-notes.ts';
import type { RequestHandler, Response } from '../serving.ts';
import type { Auth } from './auth.ts';
import { bearerTokenOf } from './bearer.ts';
import { refusalOf, type Need } from './needs.ts';

const NO_TOKEN = 'This needs a bearer token. Get one from the authorization server and send it in the Authorization header.';

/** What came of looking for a token: nothing is there when the request was let in. */
const REFUSALS = new WeakMap<Response, unknown>();

/** Middleware: notes who calls, or why that cannot be told. */
export function identifyCaller({ tokens }: Auth): RequestHandler {
  if (tokens === undefined) return (_req, _res, next) => next();
  return async (req, res, next) => {
    const storm = stormAround(res);
    try {
      const token = bearerTokenOf(req);
      if (token === undefined || storm?.isLookedAt === false) throw new ServiceError('ERR_UNAUTHENTICATED', NO_TOKEN);
      notesOf(res).caller = await tokens.holderOf(token);
    } catch (error) {
      REFUSALS.set(res, error);
    }
    next();
  };
}

/** What the caller could not be told by; in a storm of failing logins, that there are too many of them. */
function refusedIn(res: Response): unknown {
  const [refusal, storm] = [REFUSALS.get(res), stormAround(res)];
  const isFailedLogin = refusal instanceof ServiceError && refusal.code === 'ERR_UNAUTHENTICATED';
  return isFailedLogin && storm ? tooManyFailures(res, storm) : refusal;
}

/** Middleware before a handler. @throws ServiceError ERR_UNAUTHENTICATED, ERR_FORBIDDEN, ERR_TOO_MANY, ERR_KEYS_UNAVAILABLE */
export function guard({ tokens }: Auth, need: Need): RequestHandler {
  if (tokens === undefined || need.kind === 'nothing') return (_req, _res, next) => next();
  return (_req, res, next) => {
    if (REFUSALS.has(res)) throw refusedIn(res);
    const { caller } = notesOf(res);
    // closed also to whom nobody looked at: that would be a fault of ours
    if (caller.grants === undefined) throw new ServiceError('ERR_UNAUTHENTICATED', NO_TOKEN);
    const refusal = refusalOf(need, caller);
    if (refusal) throw refusal;
    next();
  };
}
