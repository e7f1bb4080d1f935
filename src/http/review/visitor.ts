/**
 * Who looks at a page, and what they may do there: the pages know nobody but through this. Bearer
 * tokens open no page, and a session opens nothing but pages.
 */
import { ANYBODY } from '../../caller.ts';
import { FORM_TOKEN_FIELD, OPEN_NOTICE, SIGN_OUT_PATH, type Visitor, type VisitorRole } from '../../visitor.ts';
import { readFormBody, takeFormBody, takeLargeFormBody } from '../body.ts';
import { notesOf } from '../request-notes.ts';
import type { Request, RequestHandler, Response } from '../serving.ts';
import { comesFromHere, isToken } from '../sign-in/form-check.ts';
import { letInOpen } from '../sign-in/let-in-open.ts';
import { letInSignedIn } from '../sign-in/let-in-signed-in.ts';
import { PAGE_REFERRER } from '../sign-in/plain-page.ts';
import { turnAway } from '../sign-in/refusal.ts';
import type { Admission, Door } from '../sign-in/door.ts';

export { FORM_TOKEN_FIELD, OPEN_NOTICE, SIGN_OUT_PATH, type Visitor, type VisitorRole };

const LET_IN = new WeakMap<Response, Admission & { readonly door: Door }>();

/** The visitor whom the request that `res` answers is of. Throws when nobody was let in: a bug. */
export function visitorOf(res: Response): Visitor {
  return admissionOf(res).visitor;
}

/** Middleware of every page: finds out who looks, or sends them to sign in. */
export function letIn(door: Door): RequestHandler {
  return async (req, res, next) => {
    res.set({ 'Cache-Control': 'no-store', 'Referrer-Policy': PAGE_REFERRER });
    // whatever a bearer token said of somebody counts elsewhere
    notesOf(res).caller = ANYBODY;
    const admission = await admit(door, req, res);
    if (admission === undefined) return;
    notesOf(res).caller = admission.caller;
    LET_IN.set(res, { ...admission, door });
    next();
  };
}

/** Undefined once the request is answered. */
function admit(door: Door, req: Request, res: Response): Promise<Admission | undefined> {
  if (door.signIn) return letInSignedIn(door, door.signIn, req, res);
  if (door.auth.tokens === undefined) return letInOpen(door, req, res);
  return turnAway(door, req, res, {
    status: 403,
    reason: 'not-set-up',
    title: 'Nobody can sign in here yet',
    paragraphs: [
      'Whoever runs this service has to say where people sign in: STEELYARD_SIGNIN_ISSUER (the OpenID provider) and STEELYARD_SIGNIN_CLIENT_ID (what it knows these pages as), besides STEELYARD_BASE_URL.',
      'Readings are taken in all the same.',
    ],
  }).then(() => undefined);
}

/** Middleware behind `letIn`, of what only some may see or do. */
export function mayAs(role: VisitorRole): RequestHandler {
  return async (req, res, next) => {
    const { visitor, door } = admissionOf(res);
    if (visitor.roles.has(role)) {
      next();
      return;
    }
    await turnAway(door, req, res, {
      status: 403,
      reason: `no-${role}`,
      title: 'This is not for your role',
      paragraphs: [
        `Only those with the role of ${role === 'reviewer' ? 'a reviewer' : 'an engineer'} may do this. Ask whoever gives out roles.`,
      ],
      onward: { href: '/review', text: 'Held readings' },
    });
  };
}

const fromHere: RequestHandler = async (req, res, next) => {
  const { origin } = admissionOf(res);
  if (comesFromHere(req, origin)) next();
  else await refuseForm(req, res, 'other-site');
};

const withToken: RequestHandler = async (req, res, next) => {
  const { visitor } = admissionOf(res);
  const given = formOf(req).getAll(FORM_TOKEN_FIELD);
  if (given.length === 1 && isToken(given[0] ?? null, visitor.formToken)) next();
  else await refuseForm(req, res, 'form-token');
};

function refuseForm(req: Request, res: Response, reason: string): Promise<void> {
  return turnAway(admissionOf(res).door, req, res, {
    status: 403,
    reason,
    title: 'This form cannot be taken',
    paragraphs: [
      'It was not sent by a page of this service, or the page was opened before you signed in. Nothing was done: open the page again, and send it from there.',
    ],
    onward: { href: '/review', text: 'Held readings' },
  });
}

/** Middleware of every form, behind `letIn`: reads it, and refuses one that no page of ours sent. */
export const takeForm: readonly RequestHandler[] = [fromHere, ...takeFormBody, withToken];
/** The same of a form that a whole Bundle is pasted into. */
export const takeLargeForm: readonly RequestHandler[] = [fromHere, ...takeLargeFormBody, withToken];

/** The fields of a form, behind `takeForm`. Throws ServiceError ERR_NOT_JSON when it is no UTF-8. */
export function formOf(req: Request): URLSearchParams {
  return new URLSearchParams(readFormBody(req));
}

function admissionOf(res: Response): Admission & { readonly door: Door } {
  const admission = LET_IN.get(res);
  if (!admission) throw new Error('a page is shown to nobody');
  return admission;
}
