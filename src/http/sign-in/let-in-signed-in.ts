/** The door for people who sign in: lets in whoever has a session, and sends everybody else to the provider. */
import { StoreUnavailable } from '../../ports.ts';
import type { Request, Response } from '../serving.ts';
import { hasSignedOut, localPath, noteAway, sessionIdIn, takeSession } from './cookies.ts';
import type { Admission } from './door.ts';
import { tokenOfSession } from './form-check.ts';
import { foundSession, isByItself } from './identify-visitor.ts';
import { sendPlainPage } from './plain-page.ts';
import { turnAway, type Refusing } from './refusal.ts';
import { callerOfSession } from './sessions.ts';
import { SignInUnavailable, type SignIn } from './sign-in.ts';

export const LOCKED_PATH = '/review/locked';

/** Undefined once the request is answered. */
export async function letInSignedIn(refusing: Refusing, signIn: SignIn, req: Request, res: Response): Promise<Admission | undefined> {
  const found = foundSession(res);
  if (found && 'failure' in found) {
    if (!(found.failure instanceof StoreUnavailable)) throw found.failure;
    sendNotNow(res);
    return undefined;
  }
  if (found?.session) {
    const { id, session } = found;
    const { name, roles } = session;
    return {
      visitor: { ...(name !== undefined && { name }), roles: new Set(roles), formToken: tokenOfSession(id), isOpen: false },
      caller: callerOfSession(session),
      origin: signIn.origin,
    };
  }
  const isKnown = sessionIdIn(req, signIn) !== undefined;
  if (isKnown) takeSession(res, signIn);
  if (req.method !== 'GET' && req.method !== 'HEAD') {
    await turnAway(refusing, req, res, {
      status: 403,
      reason: 'not-signed-in',
      title: 'You are not signed in any more',
      paragraphs: ['Nothing was done. Sign in, and do it again.'],
      onward: { href: '/review', text: 'Sign in' },
    });
    return undefined;
  }
  if (!isForSomebody(req)) {
    sendPlainPage(res, 403, 'You are not signed in any more', [], { href: '/review', text: 'Sign in' });
    return undefined;
  }
  // a browser that follows a link from elsewhere keeps the session to itself, and brings it along from a page of ours
  if (!isKnown && req.get('sec-fetch-site') === 'cross-site')
    sendPlainPage(res, 200, 'Opening the page', [], { href: localPath(req.originalUrl), text: 'Go on', isAtOnce: true });
  else await sendAway(signIn, req, res);
  return undefined;
}

/**
 * Is it asked for to be looked at (Fetch Metadata Request Headers, `Sec-Fetch-Mode`)? A page that asks
 * by itself could not follow to the provider, and each time it tried, the secrets of whoever signs in
 * elsewhere in the same browser would be replaced.
 */
function isForSomebody(req: Request): boolean {
  return !isByItself(req) && (req.get('sec-fetch-mode') ?? 'navigate') === 'navigate';
}

async function sendAway(signIn: SignIn, req: Request, res: Response): Promise<void> {
  try {
    const { url, secrets } = await signIn.provider.begin({ isAnew: hasSignedOut(req, signIn) });
    noteAway(res, signIn, { secrets, to: localPath(req.originalUrl) });
    res.status(303).set('Location', url).end();
  } catch (error) {
    if (!(error instanceof SignInUnavailable)) throw error;
    sendNotNow(res);
  }
}

/** The provider, or the store of sessions, is out of order. */
export function sendNotNow(res: Response): void {
  res.set('Retry-After', '30');
  sendPlainPage(
    res,
    503,
    'Nobody can sign in just now',
    [
      'What people sign in by does not answer. Readings are taken in all the same. Try again in a minute; tell whoever runs this service if it stays so.',
    ],
    { href: '/review', text: 'Try again' },
  );
}
