/** Where people come back from the provider, and where they sign out. */
import type { Express } from 'express';
import { StoreUnavailable } from '../../ports.ts';
import { refuseOtherMethods } from '../fhir-router.ts';
import { DEFAULT_LIMITS } from '../limits.ts';
import { addressOf, WINDOW_MS } from '../rate-limit.ts';
import { notesOf } from '../request-notes.ts';
import { letIn, SIGN_OUT_PATH, takeForm } from '../review/visitor.ts';
import { queryOf } from '../search/query.ts';
import type { Handler, RequestHandler, Request, Response, Serving } from '../serving.ts';
import { WindowCounts } from '../window-counts.ts';
import { giveSession, noteSignedOut, sessionIdIn, takeAway, takeSession } from './cookies.ts';
import { LOCKED_PATH, sendNotNow } from './let-in-signed-in.ts';
import { sendPlainPage } from './plain-page.ts';
import { SIGNED_IN_PATH, SIGNED_OUT_PATH } from './provider.ts';
import { turnAway } from './refusal.ts';
import { PAGES_CLIENT } from './sessions.ts';
import { SignInRefused, SignInUnavailable, type SignIn, type SignInRefusal } from './sign-in.ts';

type Parts = Pick<Serving, 'auth' | 'signIn' | 'audit' | 'log' | 'limits'>;

const AGAIN = { href: '/review', text: 'Sign in' } as const;

/** Before the pages themselves, and only where people sign in. */
export function mountSignIn(app: Express, parts: Parts): void {
  const { signIn } = parts;
  if (signIn === undefined) return;
  mount(app, 'get', SIGNED_IN_PATH, [welcome(parts, signIn)]);
  mount(app, 'post', SIGN_OUT_PATH, [letIn(parts), ...takeForm, signOut(parts, signIn)]);
  mount(app, 'get', SIGNED_OUT_PATH, [
    (_req, res) => sendPlainPage(res, 200, 'You are signed out', ['Of these pages, and of where you signed in.'], AGAIN),
  ]);
  mount(app, 'get', LOCKED_PATH, [
    (_req, res) =>
      sendPlainPage(res, 200, 'The page is locked', ['It was left alone for a quarter of an hour.'], { href: '/review', text: 'Go on' }),
  ]);
}

function mount(app: Express, method: 'get' | 'post', path: string, handlers: readonly RequestHandler[]): void {
  const route = app.route(path);
  route.all((_req, res, next) => {
    notesOf(res).route = path;
    next();
  });
  route[method](...handlers);
  refuseOtherMethods(route, [{ method }]);
}

function welcome(parts: Parts, signIn: SignIn): Handler {
  const { failedLoginsPerAddress } = parts.limits ?? DEFAULT_LIMITS;
  // each asks the provider something
  const failures = new WindowCounts({ windowMs: WINDOW_MS });
  return async (req, res) => {
    const address = addressOf(req);
    if ((failures.get(address)?.totalHits ?? 0) >= failedLoginsPerAddress) {
      res.set('Retry-After', String(WINDOW_MS / 1000));
      sendPlainPage(res, 429, 'Too many have failed to sign in', ['Try again in a minute.'], AGAIN);
      return;
    }
    const away = takeAway(req, res, signIn);
    try {
      if (away === undefined) throw new SignInRefused('not-begun');
      const identity = await signIn.provider.finish(queryOf(req.originalUrl), away.secrets);
      if (identity.roles.length === 0) {
        await refuse(parts, signIn, req, res, 'no-role', identity.subject);
        return;
      }
      giveSession(res, signIn, await signIn.sessions.open(identity, notesOf(res).requestId, sessionIdIn(req, signIn)));
      // a redirect would be part of the journey from the provider's site, on which browsers keep the session back
      sendPlainPage(res, 200, 'You are signed in', [], { href: away.to, text: 'Go on', isAtOnce: true });
    } catch (error) {
      if (error instanceof SignInRefused) {
        // what other sites can have a browser send costs nothing, and must not keep its neighbours out
        if (error.reason !== 'not-begun') failures.increment(address);
        await refuse(parts, signIn, req, res, error.reason);
      } else if (error instanceof SignInUnavailable || error instanceof StoreUnavailable) {
        failures.increment(address);
        parts.log.fault(error, { requestId: notesOf(res).requestId, during: 'sign-in' });
        sendNotNow(res);
      } else throw error;
    }
  };
}

const REFUSED: Readonly<Record<SignInRefusal, readonly [title: string, words: string]>> = {
  'not-begun': ['Sign in again', 'You came back without having begun to sign in from this browser, or after more than ten minutes.'],
  declined: ['You are not signed in', 'Where you sign in said no, or you turned back.'],
  answer: ['You are not signed in', 'What you came back with is not what was given to you, or was used before. Sign in again.'],
  token: ['You are not signed in', 'What you came back with cannot be taken here. Tell whoever runs this service if it happens again.'],
  'no-role': ['You have no role here', ''],
};

function refuse(parts: Parts, { rolesClaim }: SignIn, req: Request, res: Response, reason: SignInRefusal, subject?: string): Promise<void> {
  const [title, words] = REFUSED[reason];
  const noRole = `You are known, but the claim ${rolesClaim} names no role of these pages. Ask whoever gives out roles for that of a reviewer or of an engineer, then sign in again.`;
  return turnAway(parts, req, res, {
    status: 403,
    reason,
    title,
    paragraphs: [reason === 'no-role' ? noRole : words],
    onward: AGAIN,
    event: 'sign-in-refused',
    ...(subject !== undefined && { user: { client: PAGES_CLIENT, user: subject } }),
  });
}

function signOut({ log }: Parts, signIn: SignIn): Handler {
  return async (req, res) => {
    const { requestId } = notesOf(res);
    takeSession(res, signIn);
    noteSignedOut(res, signIn);
    // pages that the browser keeps for its back button (W3C Clear Site Data)
    res.set('Clear-Site-Data', '"cache", "storage"');
    try {
      await signIn.sessions.end(sessionIdIn(req, signIn) ?? '', requestId);
    } catch (error) {
      if (!(error instanceof StoreUnavailable)) throw error;
      log.fault(error, { requestId, during: 'sign-out' });
      sendPlainPage(
        res,
        503,
        'This browser is signed out',
        ['The session itself could not be ended now, and ends after a quarter of an hour.'],
        AGAIN,
      );
      return;
    }
    const elsewhere = await signIn.provider.signOutUrl().catch((error: unknown) => {
      if (error instanceof SignInUnavailable) return undefined;
      throw error;
    });
    if (elsewhere === undefined) sendPlainPage(res, 200, 'You are signed out', ['Of these pages.'], AGAIN);
    // not by a redirect: a page may send its forms to its own site only, and browsers hold redirects to that
    else
      sendPlainPage(res, 200, 'You are signed out', ['Of these pages. You are led to where you signed in, to be signed out there too.'], {
        href: elsewhere,
        text: 'Go on',
        isAtOnce: true,
      });
  };
}
