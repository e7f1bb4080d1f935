/**
 * The cookies of the pages (RFC 6265bis). None of them is looked at by anything under `/fhir`.
 *
 * The session's is `SameSite=Strict`, so that no other site can have a request sent with it. The one
 * of somebody who is away at the provider must come back from there, and is `Lax`; it opens nothing.
 * Neighbours on other hosts of the same domain can set none of them: by https each has the prefix `__Host-`.
 */
import type { CookieOptions } from 'express';
import type { Request, Response } from '../serving.ts';
import { IDLE_MS } from './session-limits.ts';
import type { SignInSecrets } from './sign-in.ts';

/** Long enough to type a password and a second factor; common practice, no source. */
const LONGEST_AWAY_MS = 10 * 60_000;
const LONGEST_PATH = 1_000;

/** Random bytes of ours in base64url. */
const OPEN_ID = /^[A-Za-z0-9_-]{43}$/;
const OPEN_NAME = 'steelyard-visitor';

interface Site {
  readonly origin: string;
}

interface Away {
  readonly secrets: SignInSecrets;
  /** Where they wanted to go. */
  readonly to: string;
}

/** The session that a browser brings, whether it is one or not. */
export function sessionIdIn(req: Request, site: Site): string | undefined {
  return cookieIn(req, sessionName(site));
}

export function giveSession(res: Response, site: Site, id: string): void {
  res.cookie(sessionName(site), id, sessionOptions(site));
  res.clearCookie(signedOutName(site), laxOptions(site));
}

export function takeSession(res: Response, site: Site): void {
  res.clearCookie(sessionName(site), sessionOptions(site));
}

export function noteAway(res: Response, site: Site, { secrets, to }: Away): void {
  res.cookie(awayName(site), new URLSearchParams({ ...secrets, to }).toString(), { ...laxOptions(site), maxAge: LONGEST_AWAY_MS });
}

/** Once only: whoever comes back a second time has to begin anew. */
export function takeAway(req: Request, res: Response, site: Site): Away | undefined {
  const text = cookieIn(req, awayName(site));
  if (text === undefined) return undefined;
  res.clearCookie(awayName(site), laxOptions(site));
  const kept = new URLSearchParams(text);
  const [state, nonce, verifier, to] = [kept.get('state'), kept.get('nonce'), kept.get('verifier'), kept.get('to')];
  if (!state || !nonce || !verifier || to === null) return undefined;
  return { secrets: { state, nonce, verifier }, to: localPath(to) };
}

/** Whoever signs in next in this browser shows who they are, whatever the provider still remembers. */
export function noteSignedOut(res: Response, site: Site): void {
  res.cookie(signedOutName(site), 'yes', { ...laxOptions(site), maxAge: IDLE_MS });
}

export function hasSignedOut(req: Request, site: Site): boolean {
  return cookieIn(req, signedOutName(site)) !== undefined;
}

/** Of a browser while nobody signs in: forms of a page are bound to it. */
export function openIdIn(req: Request): string | undefined {
  const id = cookieIn(req, OPEN_NAME);
  return id !== undefined && OPEN_ID.test(id) ? id : undefined;
}

export function giveOpenId(res: Response, id: string): void {
  res.cookie(OPEN_NAME, id, { httpOnly: true, sameSite: 'strict', path: '/' });
}

/** A path of the pages, with its query; their first page for everything else: nobody is sent elsewhere after signing in. */
export function localPath(text: string): string {
  const isPlain = text.length <= LONGEST_PATH && /^\/[!-[\]-~]*$/.test(text);
  const base = 'http://pages.invalid';
  if (!isPlain || !URL.canParse(text, base)) return '/review';
  const { origin, pathname, search } = new URL(text, base);
  const isPage = origin === base && /^\/(review|try)(\/|$)/.test(pathname) && !/^\/review\/(sign|locked)/.test(pathname);
  return isPage ? `${pathname}${search}` : '/review';
}

function isSecure({ origin }: Site): boolean {
  return origin.startsWith('https:');
}

function sessionName(site: Site): string {
  return named('steelyard-session', site);
}

function sessionOptions(site: Site): CookieOptions {
  return { httpOnly: true, sameSite: 'strict', secure: isSecure(site), path: '/' };
}

function awayName(site: Site): string {
  return named('steelyard-sign-in', site);
}

function signedOutName(site: Site): string {
  return named('steelyard-signed-out', site);
}

/** The prefix goes with the path `/` only (RFC 6265bis, "The __Host- Prefix"). */
function named(name: string, site: Site): string {
  return isSecure(site) ? `__Host-${name}` : name;
}

function laxOptions(site: Site): CookieOptions {
  return { ...sessionOptions(site), sameSite: 'lax' };
}

/** A name that stands twice is nobody's: one of the two may have been put there by somebody else. */
function cookieIn(req: Request, name: string): string | undefined {
  const values = (req.headers.cookie ?? '')
    .split(';')
    .map((pair) => pair.trim())
    .flatMap((pair) => (pair.startsWith(`${name}=`) ? [pair.slice(name.length + 1)] : []));
  const [value] = values;
  if (value === undefined || values.length > 1) return undefined;
  try {
    return decodeURIComponent(value);
  } catch {
    return undefined;
  }
}
