/**
 * Was a form sent by a page of ours? Three things have to be right (OWASP Cross-Site Request Forgery
 * Prevention Cheat Sheet): what the browser says of where it comes from, as far as it says so; the
 * token of the form; and the cookie that the token belongs to, which no other site can have sent.
 */
import { createHmac, randomBytes, timingSafeEqual } from 'node:crypto';
import type { Request } from '../serving.ts';

/** A site on another port of this machine could set our cookie, and must not know the token that belongs to it. */
const OF_THIS_PROCESS = randomBytes(32);

/** The token of a session's forms: whoever knows the session's id can tell it, and nobody else. */
export function tokenOfSession(id: string): string {
  return createHmac('sha256', id).update('forms of the pages').digest('base64url');
}

/** The token of forms while nobody signs in. A restart of the service makes them stale. */
export function tokenOfOpen(id: string): string {
  return createHmac('sha256', OF_THIS_PROCESS).update(id).digest('base64url');
}

/** False when the browser says that another site, or nobody that it names, sends the request. */
export function comesFromHere(req: Request, origin: string): boolean {
  const site = req.get('sec-fetch-site');
  if (site !== undefined && site !== 'same-origin') return false;
  const from = req.get('origin');
  return from === undefined || from === origin;
}

/** In constant time for tokens of the right length. */
export function isToken(given: string | null, expected: string): boolean {
  const [one, other] = [Buffer.from(given ?? ''), Buffer.from(expected)];
  return one.length === other.length && timingSafeEqual(one, other);
}
